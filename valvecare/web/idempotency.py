"""Idempotency-Key: the first answer is stored with its effect and replayed (IETF draft 07)."""

import hashlib
from collections.abc import Callable
from typing import Any

import msgspec
from django.db import IntegrityError, transaction
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from valvecare.core.models import IdempotentAnswer
from valvecare.web.problems import Clash, Unprocessable
from valvecare.web.renderers import FastJSONRenderer


def fingerprint_of(method: str, path: str, body: bytes) -> str:
    return hashlib.sha256(b"\0".join([method.encode(), path.encode(), body])).hexdigest()


def once(
    user: Any, key: str, fingerprint: str, effect: Callable[[], tuple[int, str, dict[str, str]]]
) -> tuple[int, str, dict[str, str], bool]:
    """Run `effect` once per (user, key); repeat its stored answer afterwards.

    Returns status, body, headers and whether this is a replay. The row and the effect commit
    together. Another body under the same key is 422; the same key in flight is 409.
    """
    with transaction.atomic():
        try:
            with transaction.atomic():
                row = IdempotentAnswer.objects.create(actor=user, key=key, fingerprint=fingerprint)
        except IntegrityError:
            kept = IdempotentAnswer.objects.filter(actor=user, key=key).first()
            if kept is None or kept.status == 0:
                raise Clash("The same Idempotency-Key is being worked on; ask again.") from None
            if kept.fingerprint != fingerprint:
                raise Unprocessable(
                    "This Idempotency-Key was used for another request; make a new key."
                ) from None
            return kept.status, kept.body, kept.headers, True
        status, body, headers = effect()
        row.status, row.body, row.headers = status, body, headers
        row.save(update_fields=["status", "body", "headers"])
    return status, body, headers, False


def idempotent(
    request: Request,
    effect: Callable[[], Response],
    *,
    required: bool = False,
    printed: bytes | None = None,
) -> Response:
    """Wrap an endpoint's effect. Without the header it runs plainly (or 400 when `required`).

    `printed`: what the fingerprint is made of, where the request's body holds a password.
    """
    key = request.headers.get("Idempotency-Key", "").strip()
    if not key:
        if required:
            raise ValidationError({"Idempotency-Key": "Send a key of your own making."})
        return effect()
    if len(key) > 80:
        raise ValidationError({"Idempotency-Key": "At most 80 characters."})

    def run() -> tuple[int, str, dict[str, str]]:
        response = effect()
        body = FastJSONRenderer().render(response.data).decode()
        return response.status_code, body, dict(response.headers)

    given = request.body if printed is None else printed
    print_ = fingerprint_of(request.method or "", request.get_full_path(), given)
    status, body, headers, replayed = once(request.user, key, print_, run)
    kept = {name: value for name, value in headers.items() if name in ("ETag", "Location", "Link")}
    if replayed:
        kept["Idempotency-Replayed"] = "true"
    return Response(msgspec.json.decode(body) if body else None, status=status, headers=kept)
