"""A signature asks for the password again: a session alone signs nothing."""

from datetime import datetime
from typing import Any

from django.contrib.auth import authenticate

from valvecare.core.errors import Reason, Refused
from valvecare.core.signing import FreshCredential

PASSWORD = "password"  # noqa: S105 the name of a method, not a secret


def fresh_credential(request: Any, password: str, *, at: datetime) -> FreshCredential:
    """Check the password of the person who is signed in; `Refused` unless it is theirs.

    Asks the host's authentication backends, so its throttle of failed logins counts here too.
    Call it outside a transaction: a failed try must stay counted.
    """
    person = request.user
    found = None
    if password:
        plain = getattr(request, "_request", request)
        found = authenticate(plain, username=person.get_username(), password=password)
    if found is None or found.pk != person.pk:
        raise Refused(
            Reason(
                "wrong_password",
                "This is not your password, or it was tried too often.",
                "Sign with your own password; after too many tries wait, then try again.",
            )
        )
    return FreshCredential(person.pk, at, PASSWORD)
