"""Keyset pages: constant cost at any depth, a Link header (RFC 8288), no counting."""

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Q, QuerySet
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request

PAGE_SIZE = 100
MAX_PAGE_SIZE = 200


@dataclass(frozen=True)
class Page:
    rows: list[Any]
    next_url: str | None

    @property
    def headers(self) -> dict[str, str]:
        return {"Link": f'<{self.next_url}>; rel="next"'} if self.next_url else {}


def page_size(request: Request) -> int:
    text = request.query_params.get("page_size", str(PAGE_SIZE))
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= MAX_PAGE_SIZE):
        raise ValidationError({"page_size": f"Give a whole number from 1 to {MAX_PAGE_SIZE}."})
    return int(text)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, (date, datetime)) else value


def _encode(values: Sequence[Any]) -> str:
    raw = json.dumps([_plain(value) for value in values], separators=(",", ":")).encode()
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _decode(text: str, fields: int) -> list[Any]:
    try:
        values = json.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    except (ValueError, UnicodeDecodeError) as error:
        raise ValidationError({"cursor": "This cursor was not made here."}) from error
    if not isinstance(values, list) or len(values) != fields:
        raise ValidationError({"cursor": "This cursor was not made here."})
    return values


def keyset_page(queryset: "QuerySet[Any, Any]", request: Request, *, order: Sequence[str]) -> Page:
    """Cut one page, ordered by `order` (ascending, or `-field`; all directions equal; unique).

    The last fields of a page's last row become the opaque cursor of the next page. The
    condition is written as `a > x OR (a = x AND b > y)` with a leading `a >= x`, which both
    databases answer from an index on the order fields.
    """
    size = page_size(request)
    down = order[0].startswith("-")
    names = [name.removeprefix("-") for name in order]
    queryset = queryset.order_by(*order)
    cursor = request.query_params.get("cursor")
    if cursor is not None:
        values = _decode(cursor, len(names))
        beyond, lookup = Q(), "lt" if down else "gt"
        for index, name in enumerate(names):
            same = Q(**dict(zip(names[:index], values[:index], strict=True)))
            beyond |= same & Q(**{f"{name}__{lookup}": values[index]})
        lead = Q(**{f"{names[0]}__{'lte' if down else 'gte'}": values[0]})
        try:
            queryset = queryset.filter(lead & beyond)
        except (TypeError, ValueError) as error:
            raise ValidationError({"cursor": "This cursor was not made here."}) from error
    rows = list(queryset[: size + 1])
    next_url = None
    if len(rows) > size:
        rows = rows[:size]
        last = rows[-1]
        pick = (
            (lambda name: last[name])
            if isinstance(last, dict)
            else (lambda name: getattr(last, name))
        )
        query = request.query_params.copy()
        query["cursor"] = _encode([pick(name) for name in names])
        next_url = request.build_absolute_uri(f"{request.path}?{query.urlencode()}")
    return Page(rows, next_url)
