"""Whole columns out of the database into arrays: no objects, one pass, bounded by the caller.

PostgreSQL joins the binary forms of each column into one value, so that a column arrives in one
piece and is read in place; elsewhere rows are fetched and turned into arrays.
"""

from collections.abc import Iterable, Mapping
from datetime import date
from enum import Enum
from typing import Any

import numpy as np
from django.core.exceptions import EmptyResultSet
from django.db import connections
from django.db.models import BigIntegerField, DateField, F, FloatField, Lookup, QuerySet, Value
from django.db.models.functions import Cast, Coalesce
from numpy.typing import NDArray

Columns = dict[str, NDArray[Any]]


class _AnyOf(Lookup):
    """Not registered as a lookup of Django's, so it changes nothing for a host."""

    lookup_name = "any_of"
    prepare_rhs = False

    def __init__(self, lhs: Any, rhs: Iterable[int]) -> None:
        super().__init__(lhs, sorted(set(rhs)))

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:
        lhs, params = self.process_lhs(compiler, connection)
        ids: Any = self.rhs
        if connection.vendor == "postgresql":
            return f"{lhs} = ANY(%s)", (*params, ids)
        if not ids:
            raise EmptyResultSet
        return f"{lhs} IN ({', '.join(['%s'] * len(ids))})", (*params, *ids)


def any_of(path: str, ids: Iterable[int]) -> Any:
    """For `filter`: the column is one of these ids, sent as one parameter where that is possible.

    A list of a thousand costs a thousand parameters in the usual way, most of the statement's time.
    """
    return _AnyOf(F(path), ids)


_NO_DAY = date(1, 1, 1)
_NO_DAY_64 = np.datetime64(_NO_DAY, "D")
_EPOCH_OF_SEND = np.datetime64("2000-01-01", "D")
_HEADER_BYTES = 19  # signature, flags, no extension: PostgreSQL manual, COPY, binary format


class As(Enum):
    """What a column becomes. Null: 0 for whole numbers, NaN, NaT; a flag must not be null."""

    INT = (">i8", "int8send")
    FLOAT = (">f8", "float8send")
    DAY = (">i4", "date_send")
    FLAG = ("?", "boolsend")

    @property
    def dtype(self) -> np.dtype[Any]:
        return np.dtype(self.value[0])

    @property
    def send(self) -> str:
        """The server's function that gives the binary form."""
        return self.value[1]


def _expression(source: Any, kind: As) -> Any:
    field = F(source) if isinstance(source, str) else source
    if kind is As.INT:
        return Cast(Coalesce(field, Value(0)), BigIntegerField())
    if kind is As.FLOAT:
        return Cast(Coalesce(field, Value(float("nan")), output_field=FloatField()), FloatField())
    if kind is As.DAY:
        return Cast(Coalesce(field, Value(_NO_DAY), output_field=DateField()), DateField())
    return field


def columns(queryset: "QuerySet[Any, Any]", wanted: Mapping[str, tuple[Any, As]]) -> Columns:
    """The wanted columns of a queryset as arrays of one length, in no order.

    wanted: name -> (field path or expression, what it becomes).
    """
    try:
        return _columns(queryset, wanted)
    except EmptyResultSet:  # the conditions exclude every row; there is no statement to send
        return _from_rows([], wanted)


def _columns(queryset: "QuerySet[Any, Any]", wanted: Mapping[str, tuple[Any, As]]) -> Columns:
    connection = connections[queryset.db]
    with connection.cursor() as cursor:
        copy = getattr(cursor.cursor, "copy", None) if connection.vendor == "postgresql" else None
        if copy is not None:
            named = {f"c{n}": _expression(*what) for n, what in enumerate(wanted.values())}
            rows = queryset.annotate(**named).values_list(*named)
            sql, params = rows.query.sql_with_params()
            pieces = ", ".join(
                f"string_agg({kind.send}(c{n}), ''::bytea)"
                for n, (_, kind) in enumerate(wanted.values())
            )
            joined = f"SELECT {pieces} FROM ({sql}) AS rows"  # noqa: S608 compiled by the ORM
            statement = f"COPY ({joined}) TO STDOUT (FORMAT BINARY)"
            with copy(statement, params) as stream:
                return _from_copy(b"".join(stream), wanted)
        named = {
            f"c{n}": F(source) if isinstance(source, str) else source
            for n, (source, _) in enumerate(wanted.values())
        }
        sql, params = queryset.annotate(**named).values_list(*named).query.sql_with_params()
        cursor.execute(sql, params)
        return _from_rows(cursor.fetchall(), wanted)


def _from_copy(raw: bytes, wanted: Mapping[str, tuple[Any, As]]) -> Columns:
    at = _HEADER_BYTES + 2  # the count of fields
    found: Columns = {}
    for name, (_, kind) in wanted.items():
        size = int.from_bytes(raw[at : at + 4], "big", signed=True)
        at += 4
        count = max(size, 0) // kind.dtype.itemsize  # no rows: null, size -1
        column = np.frombuffer(raw, dtype=kind.dtype, count=count, offset=at)
        at += max(size, 0)
        if kind is As.DAY:
            days = _EPOCH_OF_SEND + column.astype("timedelta64[D]")
            found[name] = np.where(days == _NO_DAY_64, np.datetime64("NaT", "D"), days)
        else:
            found[name] = column.astype(kind.dtype.newbyteorder("="))
    return found


def _from_rows(rows: list[tuple[Any, ...]], wanted: Mapping[str, tuple[Any, As]]) -> Columns:
    held = list(zip(*rows, strict=True)) if rows else [()] * len(wanted)
    found: Columns = {}
    for values, (name, (_, kind)) in zip(held, wanted.items(), strict=True):
        if kind is As.INT:
            found[name] = np.array([value or 0 for value in values], dtype=np.int64)
        elif kind is As.FLOAT:
            found[name] = np.array(values, dtype=np.float64)
        elif kind is As.DAY:
            found[name] = np.array(values, dtype="datetime64[D]")
        else:
            found[name] = np.array(values, dtype=np.bool_)
    return found
