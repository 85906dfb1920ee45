"""Request id for logs and answers, small pages. Safety never depends on this middleware."""

import re
import uuid
from collections.abc import Callable

import structlog
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware

_TRACE = re.compile(r"^[0-9a-f]{2}-([0-9a-f]{32})-[0-9a-f]{16}-[0-9a-f]{2}$")


class RequestIdMiddleware:
    """Takes the trace id of a W3C `traceparent`, or makes one; binds it to every log line."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        match = _TRACE.match(request.headers.get("traceparent", ""))
        request_id = match.group(1) if match else uuid.uuid4().hex
        structlog.contextvars.clear_contextvars()
        structlog.contextvars.bind_contextvars(request_id=request_id)
        response = self.get_response(request)
        response["X-Request-Id"] = request_id
        if getattr(request, "user", None) is not None and request.user.is_authenticated:
            response.setdefault("Cache-Control", "no-store")
        return response


class SmallPagesMiddleware(GZipMiddleware):
    """Compresses pages, and pages only: an ETag of the interface must stay a strong one.

    Django's own middleware pads each answer by a random length against the BREACH attack.
    """

    def process_response(
        self, request: HttpRequest, response: HttpResponseBase
    ) -> HttpResponseBase:
        if response.get("Content-Type", "").startswith("text/html"):
            return super().process_response(request, response)
        return response
