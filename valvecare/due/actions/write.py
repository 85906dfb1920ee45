"""Whole columns back into a table, by row id: one statement on PostgreSQL, one per row elsewhere.

For derived tables only (clocks, due items, usage): they have no history to keep.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
from django.db import connections, router
from django.db.models import JSONField, Model


def write_columns(
    model: type[Model], ids: Sequence[int], values: Mapping[str, Sequence[Any]]
) -> None:
    """Set the named fields of the rows with these primary keys. Lists of one length."""
    if not len(ids):
        return
    connection = connections[router.db_for_write(model)]
    meta: Any = model._meta
    fields = [meta.get_field(name) for name in values]
    if connection.vendor == "postgresql":
        _in_one_statement(connection, meta, fields, ids, values)
    else:
        _row_by_row(connection, meta, fields, ids, values)


def _in_one_statement(
    connection: Any, meta: Any, fields: list[Any], ids: Sequence[int], values: Any
) -> None:
    """The rows travel as one JSON text, which the server takes apart by the columns' types."""
    quote = connection.ops.quote_name
    kinds = [f'"0" {meta.pk.rel_db_type(connection)}']
    kinds += [f'"{n}" {field.db_type(connection)}' for n, field in enumerate(fields, start=1)]
    sets = ", ".join(f'{quote(f.column)} = v."{n}"' for n, f in enumerate(fields, start=1))
    names = [str(n) for n in range(len(fields) + 1)]
    columns = [ids, *(values[field.name] for field in fields)]
    rows = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    table, key = quote(meta.db_table), quote(meta.pk.column)
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {table} SET {sets} "  # noqa: S608 quoted names of our own model
            f"FROM json_to_recordset(%s::json) AS v({', '.join(kinds)}) "
            f'WHERE {table}.{key} = v."0"',
            [msgspec.json.encode(rows).decode()],
        )


def _row_by_row(
    connection: Any, meta: Any, fields: list[Any], ids: Sequence[int], values: Any
) -> None:
    quote = connection.ops.quote_name
    sets = ", ".join(f"{quote(field.column)} = %s" for field in fields)
    columns = [
        [msgspec.json.encode(value).decode() for value in values[field.name]]
        if isinstance(field, JSONField)
        else [field.get_db_prep_save(value, connection) for value in values[field.name]]
        for field in fields
    ]
    table, key = quote(meta.db_table), quote(meta.pk.column)
    with connection.cursor() as cursor:
        cursor.executemany(
            f"UPDATE {table} SET {sets} WHERE {key} = %s",  # noqa: S608 as above
            list(zip(*columns, ids, strict=True)),
        )
