"""Who may sign, with what meaning, and the hash that binds a signature to what it signs."""

import hashlib
import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from valvecare.core.errors import Reason
from valvecare.core.signing import FreshCredential

FRESH_FOR: Final = timedelta(minutes=5)
"""A credential older than this signs nothing."""


class Meaning(StrEnum):
    """What a signature says."""

    PERFORMED = "performed"
    CHECKED = "checked"
    APPROVED = "approved"


class Signed(StrEnum):
    """What can be signed."""

    CLOSING = "closing"
    RELEASE = "provisional release"
    DEFERRAL = "deferral"


def why_not_sign(
    credential: FreshCredential | None, *, signer: Any, meaning: str, at: datetime
) -> Reason | None:
    """A signature needs a fresh credential of the signer and a meaning of the list."""
    if meaning not in {word.value for word in Meaning}:
        return Reason(
            "no_meaning",
            "A signature says what it means.",
            f"One of: {', '.join(Meaning)}.",
        )
    if credential is None:
        return Reason(
            "not_signed", "This needs your signature.", "Give your password again to sign."
        )
    if credential.user_id != signer:
        return Reason(
            "other_person",
            "The credential belongs to somebody else.",
            "Sign with your own password.",
        )
    if not timedelta(0) <= at - credential.at <= FRESH_FOR:
        return Reason(
            "stale_credential",
            f"The password was given more than {FRESH_FOR.seconds // 60} minutes ago.",
            "Give it again.",
        )
    return None


def canonical(content: Mapping[str, Any]) -> str:
    """The one JSON text of this content: sorted names, no spaces, instants as ISO 8601 in UTC."""
    return json.dumps(
        content, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False
    )


def hash_of(content: Mapping[str, Any]) -> str:
    """SHA-256 (FIPS 180-4) of the canonical JSON, in hexadecimal."""
    return hashlib.sha256(canonical(content).encode("ascii")).hexdigest()
