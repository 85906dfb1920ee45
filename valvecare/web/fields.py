"""Input fields with a strict text form: instants that carry their offset, whole numbers in a
query string. JSON numbers are in `shapes`."""

import re
from datetime import UTC, datetime
from typing import Any

from rest_framework import serializers


class QueryWhole(serializers.IntegerField):
    """A whole number in a query string: plain ASCII digits, no '1_000', no other script."""

    def to_internal_value(self, data: Any) -> int:
        if not (isinstance(data, str) and re.fullmatch(r"\d{1,12}", data, re.ASCII)):
            self.fail("invalid")
        return int(data)


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
