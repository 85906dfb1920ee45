"""JSON in, guarded: bounded depth, finite numbers, no surprises turned into a 500."""

from typing import Any

import msgspec
from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser

MAX_DEPTH = 20


def _check(value: Any, depth: int = 0) -> None:
    if depth > MAX_DEPTH:
        raise ParseError(f"The JSON is nested more than {MAX_DEPTH} deep.")
    if isinstance(value, dict):
        for item in value.values():
            _check(item, depth + 1)
    elif isinstance(value, list):
        for item in value:
            _check(item, depth + 1)
    elif isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 2**63:
        raise ParseError("A number in the JSON is too large.")


class GuardedJSONParser(BaseParser):
    """Strict RFC 8259 JSON; NaN, infinities, deep nesting and huge integers are a 400."""

    media_type = "application/json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        raw = stream.read()
        try:
            data = msgspec.json.decode(raw)
        except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
            raise ParseError(f"The body is not valid JSON: {error}") from error
        _check(data)
        return data
