"""ETag out, If-Match in (RFC 9110 section 13): 428 when missing, 412 when stale."""

from typing import Any

from rest_framework.exceptions import ValidationError
from rest_framework.request import Request

from valvecare.web.problems import PreconditionRequired


def version_from(request: Request) -> int:
    """The version named by If-Match. Raises 428 when missing, 400 when not one of our ETags."""
    header = request.headers.get("If-Match", "").strip()
    if not header:
        raise PreconditionRequired()
    text = header.removeprefix("W/").strip('"')
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise ValidationError({"If-Match": f"{header} is not an ETag of this record."})
    return int(text)


def etag_headers(record: Any) -> dict[str, str]:
    """The ETag header of a versioned record."""
    return {"ETag": f'"{record.version}"'}
