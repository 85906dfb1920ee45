"""Errors as RFC 9457 problem+json, for everything under /api, Django's own handlers included."""

from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.core.exceptions import ValidationError as DjangoValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import set_rollback

from valvecare.core.errors import ActionError, Conflict, Forbidden, NotFound, Refused
from valvecare.engineering.errors import OutOfRange, Refusal

CONTENT_TYPE = "application/problem+json"

TITLES = {
    400: "The request is not well formed",
    401: "Sign in or send a valid token",
    403: "Not permitted",
    404: "Not found",
    405: "Method not allowed here",
    406: "No acceptable content type",
    409: "A rule refuses this",
    412: "The record has changed",
    413: "Too large",
    415: "Content type not understood",
    422: "An input cannot be used",
    428: "If-Match is required",
    429: "Too many requests",
    500: "Unexpected error",
    503: "Not available just now",
}


class PreconditionRequired(exceptions.APIException):
    status_code = 428
    default_code = "precondition_required"
    default_detail = "Send If-Match with the ETag you read, so that nobody's change is lost."


class PayloadTooLarge(exceptions.APIException):
    status_code = 413
    default_code = "payload_too_large"
    default_detail = "The body is larger than this endpoint accepts."


class Unprocessable(exceptions.APIException):
    status_code = 422
    default_code = "unprocessable"
    default_detail = "An input cannot be used."


class Clash(exceptions.APIException):
    status_code = 409
    default_code = "conflict"
    default_detail = "The request collides with one under way."


def problem(
    status: int, code: str, detail: str, *, errors: list[dict[str, Any]] | None = None, **more: Any
) -> dict[str, Any]:
    """The members of a problem document. `code` is stable, `detail` is a sentence."""
    body: dict[str, Any] = {
        "type": f"https://valvecare.invalid/problems/{code}",
        "title": TITLES.get(status, "Error"),
        "status": status,
        "code": code,
        "detail": detail,
        **more,
    }
    if errors:
        body["errors"] = errors
    return body


def _pointers(detail: Any, at: str = "") -> list[dict[str, Any]]:
    """Flatten field errors into `[{detail, pointer, code}]` with JSON pointers (RFC 6901)."""
    if isinstance(detail, dict):
        found: list[dict[str, Any]] = []
        for key, value in detail.items():
            step = "" if key == "non_field_errors" else f"/{key}"
            found += _pointers(value, at + step)
        return found
    if isinstance(detail, list):
        if any(isinstance(item, dict) for item in detail):
            return [
                entry
                for index, item in enumerate(detail)
                for entry in _pointers(item, f"{at}/{index}")
                if item
            ]
        return [entry for item in detail for entry in _pointers(item, at)]
    return [{"detail": str(detail), "pointer": at, "code": getattr(detail, "code", "invalid")}]


def _of_action_error(error: ActionError) -> tuple[int, dict[str, Any]]:
    if isinstance(error, NotFound):
        return 404, problem(404, error.code, str(error))
    if isinstance(error, Forbidden):
        return 403, problem(403, error.code, str(error))
    if isinstance(error, Conflict):
        return 412, problem(412, error.code, str(error), current_version=error.current)
    if isinstance(error, Refused):
        reasons = [
            {
                "code": reason.code,
                "detail": reason.words,
                "remedy": reason.remedy,
                "numbers": dict(reason.numbers),
            }
            for reason in error.reasons
        ]
        return 409, problem(409, error.code, str(error), errors=reasons)
    return 409, problem(409, error.code, str(error))


def _of_api_exception(error: exceptions.APIException) -> tuple[int, dict[str, Any]]:
    status = error.status_code
    if isinstance(error, exceptions.ValidationError):
        errors = _pointers(error.detail)
        words = "; ".join(
            f"{entry['pointer'] or 'body'}: {entry['detail']}" for entry in errors[:5]
        )
        return status, problem(status, "invalid", words, errors=errors)
    codes = error.get_codes()
    return status, problem(status, codes if isinstance(codes, str) else "error", str(error.detail))


def exception_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """DRF's exception hook. Unknown exceptions stay Django's (logged, answered 500 as problem)."""
    headers: dict[str, str] = {}
    if isinstance(error, Http404):
        error = exceptions.NotFound()
    elif isinstance(error, PermissionDenied):
        error = exceptions.PermissionDenied()
    elif isinstance(error, RequestDataTooBig):
        error = PayloadTooLarge()
    elif isinstance(error, SuspiciousOperation):
        error = exceptions.ParseError()
    if isinstance(error, ActionError):
        status, body = _of_action_error(error)
    elif isinstance(error, Refusal):
        errors = [error.as_dict()] if isinstance(error, OutOfRange) else None
        status, body = 422, problem(422, error.code, str(error), errors=errors)
    elif isinstance(error, DjangoValidationError):
        fields = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
        errors = [
            {"detail": text, "pointer": f"/{name}" if name else "", "code": "invalid"}
            for name, texts in fields.items()
            for text in texts
        ]
        words = "; ".join(f"{entry['pointer'] or 'body'}: {entry['detail']}" for entry in errors)
        status, body = 400, problem(400, "invalid", words, errors=errors)
    elif isinstance(error, exceptions.APIException):
        status, body = _of_api_exception(error)
        if getattr(error, "auth_header", None):
            headers["WWW-Authenticate"] = error.auth_header  # type: ignore[attr-defined]
        if getattr(error, "wait", None):
            headers["Retry-After"] = str(int(error.wait) + 1)  # type: ignore[attr-defined]
    else:
        return None
    set_rollback()
    return Response(body, status=status, headers=headers, content_type=CONTENT_TYPE)


def json_problem(status: int, code: str, detail: str) -> JsonResponse:
    """A problem outside DRF (Django's own handlers)."""
    return JsonResponse(problem(status, code, detail), status=status, content_type=CONTENT_TYPE)


def is_api(request: HttpRequest) -> bool:
    """True for paths of the API, whatever prefix a host mounts us under."""
    return "/api/" in request.path


def api_not_found(request: HttpRequest, rest: str = "") -> HttpResponse:
    """Catch-all below /api/: a 404 in the same shape as every other error."""
    return json_problem(404, "not_found", f"There is nothing at {request.path}.")
