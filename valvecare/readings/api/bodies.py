"""Bodies of a push: JSON, NDJSON or CSV, plain or gzip, bounded before they are understood.

The fast path decodes the whole body into typed rows. Only when a row is wrong are the rows
decoded one by one, so that the wrong ones are refused by index and the others taken.
"""

import csv
import io
import re
import time
import zlib
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import msgspec
from rest_framework.exceptions import ParseError, UnsupportedMediaType
from rest_framework.parsers import BaseParser

from valvecare.core.conf import options
from valvecare.core.errors import Reason
from valvecare.readings.rules import Row
from valvecare.web.problems import PayloadTooLarge
from valvecare.web.views import Endpoint

_NUMBER = re.compile(r"-?[0-9]{1,16}(\.[0-9]{1,16})?([eE][-+]?[0-9]{1,3})?", re.ASCII)
_USUAL_ROW = 120
"""Bytes of a row as most senders write it; a body of more a row may hide very many short rows."""

_COLUMNS = ("series", "site", "at", "value", "unit", "quality", "source_key")
_CODES = {
    "value": "not_a_number",
    "quality": "unknown_quality",
    "series": "malformed_row",
    "unit": "malformed_row",
}


class Body(msgspec.Struct):
    """A decoded push. A `Reason` stands in place of a row that could not be read."""

    rows: list[Any]
    source: str | None = None
    site: str | None = None


class _Envelope(msgspec.Struct, forbid_unknown_fields=True):
    rows: list[Row]
    source: str | None = None
    site: str | None = None


class _RawEnvelope(msgspec.Struct, forbid_unknown_fields=True):
    rows: list[msgspec.Raw]
    source: str | None = None
    site: str | None = None


_envelope = msgspec.json.Decoder(_Envelope)
_raw_envelope = msgspec.json.Decoder(_RawEnvelope)
_row = msgspec.json.Decoder(Row)


def _inflate(data: bytes, limit: int) -> bytes:
    """Unpack gzip, all members, and stop as soon as the limit is passed."""
    found = bytearray()
    while data:
        member = zlib.decompressobj(wbits=31)
        try:
            found += member.decompress(data, limit + 1 - len(found))
        except zlib.error as error:
            raise ParseError("The body is not valid gzip.") from error
        if len(found) > limit:
            raise PayloadTooLarge(f"The unpacked body is larger than {limit} bytes.")
        if not member.eof:
            raise ParseError("The gzip body ends too early.")
        data = member.unused_data
    return bytes(found)


class PushedBody(Endpoint):
    def initialize_request(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        """Read a body that is sent in chunks, where the server ends its stream by itself.

        Django reads none without a Content-Length; elsewhere such a body stays empty.
        """
        meta = request.META
        is_chunked = meta.get("HTTP_TRANSFER_ENCODING", "").strip().lower() == "chunked"
        if is_chunked and not meta.get("CONTENT_LENGTH") and meta.get("wsgi.input_terminated"):
            request._stream = meta["wsgi.input"]
            meta["CONTENT_LENGTH"] = UNKNOWN_LENGTH
        return super().initialize_request(request, *args, **kwargs)


UNKNOWN_LENGTH = "1"
"""Stands for 'there is a body'; it is read to its end, whatever its length."""
PIECE = 1 << 16
DISCARD_MOST = 256 * 1_000_000
DISCARD_S = 15.0
"""So much of a body that is too large is read and thrown away: a sender who is cut off while still
sending never sees the answer. Beyond this it is."""


def _read(stream: Any, most: int) -> bytes:
    """At most so many bytes; a stream may hand out less than is asked before its end."""
    found = bytearray()
    while len(found) < most and (piece := stream.read(min(PIECE, most - len(found)))):
        found += piece
    return bytes(found)


def _too_large(stream: Any, limit: int) -> PayloadTooLarge:
    left, until = DISCARD_MOST, time.monotonic() + DISCARD_S
    while left > 0 and time.monotonic() < until and (piece := stream.read(PIECE)):
        left -= len(piece)
    return PayloadTooLarge(f"The body is larger than {limit} bytes; send several.")


def read_bounded(stream: Any, headers: Any) -> bytes:
    """The body, unpacked; 413 as soon as it is known to be too large, 415 for other packings."""
    limit = options().READINGS_MAX_BYTES
    length = headers.get("Content-Length") or "0"
    if length.isdigit() and int(length) > limit:
        raise _too_large(stream, limit)
    data = _read(stream, limit + 1)
    if len(data) > limit:
        raise _too_large(stream, limit)
    packing = headers.get("Content-Encoding", "identity").strip().lower()
    if packing == "gzip":
        return _inflate(data, limit)
    if packing != "identity":
        raise UnsupportedMediaType(packing, f"Content-Encoding {packing!r}: send gzip or none.")
    return data


Kind = TypeVar("Kind")


def parsed(request: Any, kind: type[Kind]) -> Kind:
    """What the parser made of the body. The framework never asks it about an empty one."""
    data = request.data
    if not isinstance(data, kind):
        raise ParseError("The body is empty, or was sent without a Content-Length.")
    return data


def too_many(rows: int) -> None:
    limit = options().READINGS_MAX_ROWS
    if rows > limit:
        raise PayloadTooLarge(f"{rows} rows in one request; at most {limit}. Send several.")


def reason_of(error: Exception) -> Reason:
    """Why one row could not be read, from the decoder's words."""
    words = str(error)
    missing = re.search(r"missing required field `(\w+)`", words)
    where = re.search(r"`\$\.(\w+)`", words)
    field = where.group(1) if where else ""
    if missing:
        name = missing.group(1)
        return Reason(f"missing_{name}", f"The row has no {name}.", "It is never assumed.")
    if "unknown field" in words:
        return Reason("unknown_field", f"{words}.", f"Known are {', '.join(_COLUMNS)}.")
    if field == "at":
        if "timezone" in words:
            return Reason(
                "time_without_offset",
                "The time has no offset.",
                "Send RFC 3339 with Z or an offset; local time is never guessed.",
            )
        return Reason("time_not_understood", "The time is not RFC 3339.", "2026-05-04T06:00:00Z")
    if field == "value" and "out of range" in words:
        return Reason("not_finite", "The value is not a finite number.", "Leave the row out.")
    return Reason(_CODES.get(field, "malformed_row"), f"{words}.")


def _one_by_one(raw_rows: list[Any], decode: Callable[[Any], Row]) -> list[Any]:
    found: list[Any] = []
    for raw in raw_rows:
        try:
            found.append(decode(raw))
        except (msgspec.DecodeError, RecursionError, ValueError) as error:
            found.append(reason_of(error))
    return found


class _Parser(BaseParser):
    """Reads within bounds, then lets `decode` understand."""

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        request = parser_context["request"]
        data = read_bounded(stream, request.headers)
        try:
            return self.decode(data, request)
        except (msgspec.DecodeError, RecursionError, UnicodeDecodeError, csv.Error) as error:
            raise ParseError(f"The body cannot be read: {error}") from error

    def decode(self, data: bytes, request: Any) -> Body:
        raise NotImplementedError


class JSONRows(_Parser):
    media_type = "application/json"

    def decode(self, data: bytes, request: Any) -> Body:
        most = options().READINGS_MAX_ROWS
        if len(data) > _USUAL_ROW * most and data.count(b'"series"') > 2 * most + 10:
            too_many(data.count(b'"series"'))
        try:
            whole = _envelope.decode(data)
        except (msgspec.ValidationError, RecursionError):
            raw = _raw_envelope.decode(data)
            too_many(len(raw.rows))
            return Body(_one_by_one(raw.rows, _row.decode), raw.source, raw.site)
        too_many(len(whole.rows))
        return Body(whole.rows, whole.source, whole.site)


def _of_query(request: Any, rows: list[Any]) -> Body:
    return Body(rows, request.query_params.get("source"), request.query_params.get("site"))


class NDJSONRows(_Parser):
    """One row a line; source and site in the query string."""

    media_type = "application/x-ndjson"

    def decode(self, data: bytes, request: Any) -> Body:
        lines = [line for line in data.split(b"\n") if line.strip()]
        too_many(len(lines))
        return _of_query(request, _one_by_one(lines, _row.decode))


class CSVRows(_Parser):
    """A header line with the names of the fields; comma, UTF-8, point as decimal mark."""

    media_type = "text/csv"

    def decode(self, data: bytes, request: Any) -> Body:
        text = data.decode("utf-8-sig")
        if "\0" in text:
            raise ParseError("The CSV holds a NUL character.")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        header = next(reader, [])
        unknown = sorted(set(header) - set(_COLUMNS))
        lacking = sorted({"series", "at", "value", "unit"} - set(header))
        if unknown or lacking or len(set(header)) != len(header):
            raise ParseError(
                f"The header must hold series, at, value and unit, and may hold site, quality and "
                f"source_key, each once; unknown: {unknown}, missing: {lacking}."
            )
        return _of_query(request, _one_by_one(list(_lines(reader)), _csv_row(header)))


def _lines(reader: Iterator[list[str]]) -> Iterator[list[str]]:
    count = 0
    for cells in reader:
        if cells:
            count += 1
            too_many(count)
            yield cells


def _csv_row(header: list[str]) -> Callable[[list[str]], Row]:
    def decode(cells: list[str]) -> Row:
        if len(cells) != len(header):
            raise ValueError(f"{len(cells)} cells in a row of {len(header)} columns")
        row: dict[str, Any] = {
            name: cell for name, cell in zip(header, cells, strict=True) if cell != ""
        }
        if "value" in row and _NUMBER.fullmatch(row["value"]):
            row["value"] = float(row["value"])
        return msgspec.convert(row, Row)

    return decode
