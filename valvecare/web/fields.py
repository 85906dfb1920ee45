"""Strict input fields: numbers that are numbers, instants that carry their offset."""

import re
from datetime import UTC, datetime
from typing import Any

from rest_framework import serializers

_NUMBER = re.compile(r"^-?\d{1,12}(\.\d{1,9})?$", re.ASCII)


class StrictFloat(serializers.FloatField):
    """A finite JSON number, or the same as plain ASCII digits. No true, no '1_000', no '1e9'."""

    def to_internal_value(self, data: Any) -> float:
        if isinstance(data, str) and _NUMBER.match(data):
            return float(data)
        if isinstance(data, bool) or not isinstance(data, (int, float)):
            self.fail("invalid")
        return float(data)


class StrictInteger(serializers.IntegerField):
    """A whole JSON number, or the same as plain ASCII digits. No true, no 1.5."""

    def to_internal_value(self, data: Any) -> int:
        if isinstance(data, str) and re.fullmatch(r"-?\d{1,12}", data, re.ASCII):
            return int(data)
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("invalid")
        return data


class InstantField(serializers.DateTimeField):
    """RFC 3339 with an offset; a time without one is refused, never read in some zone."""

    default_error_messages = {
        "offset": "Give the offset from UTC, for example 2026-05-04T14:00:00+02:00.",
        "range": "The year must be between 1990 and 2100.",
    }

    def to_internal_value(self, value: Any) -> datetime:
        if not isinstance(value, str):
            self.fail("invalid", format="RFC 3339")
        try:
            found = datetime.fromisoformat(value)
        except ValueError:
            self.fail("invalid", format="RFC 3339")
        if found.tzinfo is None:
            self.fail("offset")
        if not 1990 <= found.year <= 2100:
            self.fail("range")
        return found.astimezone(UTC)
