"""Run one act of a form once: a second press of the button gets the first answer."""

import uuid
from collections.abc import Callable
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse

from valvecare.core.errors import ActionError
from valvecare.engineering.errors import Refusal
from valvecare.web.idempotency import fingerprint_of, once
from valvecare.web.problems import Clash, Unprocessable


def new_key() -> str:
    return uuid.uuid4().hex


def run_once(request: HttpRequest, key: str, effect: Callable[[], Any]) -> str:
    """Empty when it was done (now or before); else why not, in the action's words."""

    def run() -> tuple[int, str, dict[str, str]]:
        effect()
        return 303, "", {}

    fields = sorted(
        (name, values)
        for name, values in request.POST.lists()
        if name not in ("csrfmiddlewaretoken", "idempotency_key")
    )
    print_ = fingerprint_of("POST", request.path, repr(fields).encode())
    try:
        once(request.user, key, print_, run)
    except (ActionError, Refusal, Clash, Unprocessable) as error:
        return str(error)
    except ValidationError as error:
        return " ".join(error.messages)
    return ""


def see_other(url: str) -> HttpResponse:
    response = HttpResponse(status=303)
    response["Location"] = url
    return response
