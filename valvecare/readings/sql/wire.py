"""PostgreSQL only: columns of numbers on their way to the database, without Python objects.

Binary COPY, binary array parameters, and statements that the server plans once per connection.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Column = tuple[str, str, NDArray[Any]]
"""Name, PostgreSQL type and values."""

_WIDTH = {"bigint": ">i8", "integer": ">i4", "smallint": ">i2", "float8": ">f8"}
_COPY_HEADER = b"PGCOPY\n\xff\r\n\x00" + bytes(8)
_COPY_TRAILER = b"\xff\xff"

_ELEMENT = {"bigint": 20, "integer": 23, "smallint": 21, "float8": 701}
_ARRAY = {"bigint": 1016, "integer": 1007, "smallint": 1005, "float8": 1022}
"""Numbers of the types of elements and arrays, as in the catalogue `pg_type`."""


def copy_bytes(columns: Sequence[Column | None], rows: int) -> bytes:
    """Rows in PostgreSQL's binary COPY format; a column None is NULL throughout."""
    fields: list[tuple[str, str]] = [("count", ">i2")]
    for index, column in enumerate(columns):
        fields.append((f"width{index}", ">i4"))
        if column is not None:
            fields.append((f"value{index}", _WIDTH[column[1]]))
    out = np.empty(rows, dtype=fields)
    out["count"] = len(columns)
    for index, column in enumerate(columns):
        if column is None:
            out[f"width{index}"] = -1
        else:
            out[f"width{index}"] = out.dtype[f"value{index}"].itemsize
            out[f"value{index}"] = column[2]
    return _COPY_HEADER + out.tobytes() + _COPY_TRAILER


class Array:
    """Numbers as one array parameter of a statement, in the binary format."""

    def __init__(self, kind: str, values: NDArray[Any]) -> None:
        out = np.empty(values.size, dtype=[("width", ">i4"), ("value", _WIDTH[kind])])
        out["width"] = out.dtype["value"].itemsize
        out["value"] = values
        ends = [values.size, 1] if values.size else []
        head = np.array([len(ends) // 2, 0, _ELEMENT[kind], *ends], dtype=">i4")
        self.oid = _ARRAY[kind]
        self.data = head.tobytes() + out.tobytes()


@cache
def _classes() -> Any:
    """The driver is there only where PostgreSQL is used."""
    from psycopg import Cursor
    from psycopg.adapt import Dumper, PyFormat
    from psycopg.pq import Format

    class ArrayDumper(Dumper):
        format = Format.BINARY

        def get_key(self, obj: Any, format: PyFormat) -> Any:
            return (self.cls, obj.oid)

        def upgrade(self, obj: Any, format: PyFormat) -> Dumper:
            dumper = ArrayDumper(self.cls)
            dumper.oid = obj.oid
            return dumper

        def dump(self, obj: Any) -> bytes:
            return bytes(obj.data)

    class Planned(Cursor):
        keeps_plan = False

        def execute(self, query: Any, params: Any = None, **more: Any) -> Any:
            return super().execute(query, params, prepare=self.keeps_plan)

    return Planned, ArrayDumper


def planned_cursor(connection: Any, *, keep_plan: bool) -> Any:
    """A cursor that sends parameters apart from the statement and takes `Array`.

    `keep_plan`: the server plans the statement once for this connection. Not behind a pooler
    that hands connections on between transactions: Django's setting for those,
    DISABLE_SERVER_SIDE_CURSORS, says so. Call it inside a transaction.
    """
    planned, array_dumper = _classes()
    cursor = planned(connection.connection)
    cursor.keeps_plan = keep_plan and not connection.settings_dict.get(
        "DISABLE_SERVER_SIDE_CURSORS"
    )
    cursor.adapters.register_dumper(Array, array_dumper)
    make = connection.make_debug_cursor if connection.queries_logged else connection.make_cursor
    return make(cursor)
