"""Whole columns out of the database into arrays: no objects, one pass, bounded by the caller.

PostgreSQL hands them over in its binary copy format, whose rows have one width when no field is
null, so that they are read in place; elsewhere rows are fetched and turned into arrays.
"""

from collections.abc import Mapping
from datetime import date
from enum import Enum
from typing import Any

import numpy as np
from django.core.exceptions import EmptyResultSet
from django.db import connections
from django.db.models import BigIntegerField, DateField, F, FloatField, QuerySet, Value
from django.db.models.functions import Cast, Coalesce
from numpy.typing import NDArray

Columns = dict[str, NDArray[Any]]

_NO_DAY = date(1, 1, 1)
_NO_DAY_64 = np.datetime64(_NO_DAY, "D")
_EPOCH_OF_COPY = np.datetime64("2000-01-01", "D")
_HEADER_BYTES = 19  # signature, flags, no extension: PostgreSQL manual, COPY, binary format


class As(Enum):
    """What a column becomes. Null: 0 for whole numbers and flags, NaN, NaT."""

    INT = ">i8"
    FLOAT = ">f8"
    DAY = ">i4"
    FLAG = "?"


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
    """The wanted columns of a queryset as arrays of one length.

    wanted: name -> (field path or expression, what it becomes). A FLAG must not be null.
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
            with copy(f"COPY ({sql}) TO STDOUT (FORMAT BINARY)", params) as stream:
                return _from_copy(b"".join(stream), wanted)
        named = {
            f"c{n}": F(source) if isinstance(source, str) else source
            for n, (source, _) in enumerate(wanted.values())
        }
        sql, params = queryset.annotate(**named).values_list(*named).query.sql_with_params()
        cursor.execute(sql, params)
        return _from_rows(cursor.fetchall(), wanted)


def _from_copy(raw: bytes, wanted: Mapping[str, tuple[Any, As]]) -> Columns:
    layout: list[tuple[str, str]] = [("fields", ">i2")]
    for name, (_, kind) in wanted.items():
        layout += [(f"{name} bytes", ">i4"), (name, kind.value)]
    row = np.dtype(layout)
    count, rest = divmod(len(raw) - _HEADER_BYTES, row.itemsize)
    if rest != 2:  # the trailer; anything else means a field of another width
        raise ValueError("The rows of a binary copy are not of one width.")
    table = np.frombuffer(raw, dtype=row, count=count, offset=_HEADER_BYTES)
    found: Columns = {}
    for name, (_, kind) in wanted.items():
        column = table[name]
        if kind is As.DAY:
            days = _EPOCH_OF_COPY + column.astype("timedelta64[D]")
            found[name] = np.where(days == _NO_DAY_64, np.datetime64("NaT", "D"), days)
        else:
            found[name] = column.astype(column.dtype.newbyteorder("="))
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
