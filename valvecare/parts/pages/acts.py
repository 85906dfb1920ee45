"""How a form of the store is sent: once, and a refusal comes back as an error of the form."""

import uuid
from collections.abc import Callable
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from valvecare.core.errors import ActionError, Conflict, Forbidden, NotFound, Refused
from valvecare.web.idempotency import fingerprint_of, once
from valvecare.web.problems import Clash, Unprocessable


def act(request: HttpRequest, form: Any, effect: Callable[[], Any]) -> int:
    """Run a valid form's effect once. Answers 0, or the status with the words on the form."""
    fields = sorted(
        (name, values)
        for name, values in request.POST.lists()
        if name not in ("csrfmiddlewaretoken", "idempotency_key")
    )
    print_ = fingerprint_of("POST", request.path, repr(fields).encode())

    def run() -> tuple[int, str, dict[str, str]]:
        effect()
        return 303, "", {}

    try:
        once(request.user, form.cleaned_data["idempotency_key"], print_, run)
    except (ActionError, ValidationError, Clash, Unprocessable) as error:
        return _refused(form, error)
    return 0


def _refused(form: Any, error: Exception) -> int:
    """Put the words of a refusal on the form; what was typed stays."""
    words, status = [str(error)], 409
    if isinstance(error, Conflict):
        status = 412
        form.data = form.data.copy()
        # sending it again is a new decision on the new version
        form.data["version"] = str(error.current)
        form.data["idempotency_key"] = uuid.uuid4().hex
    elif isinstance(error, Refused):
        words = [str(reason) for reason in error.reasons]
    elif isinstance(error, Forbidden):
        status = 403
    elif isinstance(error, NotFound):
        status = 404
    elif isinstance(error, ValidationError):
        words, status = error.messages, 400
    for text in words:
        form.add_error(None, text)
    return status


def gone_to(request: HttpRequest, name: str, *args: Any) -> HttpResponse:
    """303 to another page of ours, under the host's own namespace."""
    namespace = request.resolver_match.namespace if request.resolver_match else None
    response = HttpResponse(status=303)
    response["Location"] = reverse(f"valvecare:{name}", args=args, current_app=namespace)
    return response
