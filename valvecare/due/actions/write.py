"""Whole columns back into a table, by row id: one statement on PostgreSQL, one per row elsewhere.

For derived tables only (clocks, due items, usage): they have no history to keep.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import connections, router
from django.db.models import Model


def write_columns(
    model: type[Model], ids: Sequence[int], values: Mapping[str, Sequence[Any]]
) -> None:
    """Set the named fields of the rows with these primary keys. Lists of one length."""
    if not len(ids):
        return
    connection = connections[router.db_for_write(model)]
    quote = connection.ops.quote_name
    meta: Any = model._meta
    fields = [meta.get_field(name) for name in values]
    prepared = [
        [field.get_db_prep_save(value, connection) for value in values[field.name]]
        for field in fields
    ]
    table, key = quote(meta.db_table), quote(meta.pk.column)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            kinds = [meta.pk.rel_db_type(connection), *(_cast(f, connection) for f in fields)]
            arrays = ", ".join(f"%s::{kind}[]" for kind in kinds)
            names = ", ".join(f"v{n}" for n in range(len(kinds)))
            sets = ", ".join(f"{quote(f.column)} = v.v{n}" for n, f in enumerate(fields, start=1))
            cursor.execute(
                f"UPDATE {table} SET {sets} "  # noqa: S608 quoted names of our own model
                f"FROM unnest({arrays}) AS v({names}) WHERE {table}.{key} = v.v0",
                [list(ids), *(_plain(column) for column in prepared)],
            )
        else:
            sets = ", ".join(f"{quote(f.column)} = %s" for f in fields)
            cursor.executemany(
                f"UPDATE {table} SET {sets} WHERE {key} = %s",  # noqa: S608 as above
                list(zip(*prepared, ids, strict=True)),
            )


def _cast(field: Any, connection: Any) -> str:
    kind: str = field.db_type(connection)
    return "text" if kind.startswith("varchar") else kind


def _plain(column: list[Any]) -> list[Any]:
    """JSON values come wrapped for a single parameter; in an array they travel as text."""
    return [value.dumps(value.obj) if hasattr(value, "dumps") else value for value in column]
