"""What an action may answer instead of a result. Edges turn these into HTTP words."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Reason:
    """Why a rule said no: a stable code, a sentence, what would make it pass, and the numbers."""

    code: str
    words: str
    remedy: str = ""
    numbers: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.words} {self.remedy}".strip()


class ActionError(Exception):
    """Base of everything an action may raise on purpose. `code` is stable."""

    code = "action_error"


class NotFound(ActionError):
    """The record does not exist or this person may not see it; the two are not told apart."""

    code = "not_found"


class Forbidden(ActionError):
    """The record is visible, but the act is not permitted to this person at this site."""

    code = "forbidden"

    def __init__(self, permit: str, needs: str = "") -> None:
        self.permit = permit
        super().__init__(f"You may not {permit.replace('_', ' ')} here. {needs}".strip())


class Conflict(ActionError):
    """The record has changed since it was read; nothing was written."""

    code = "stale_version"

    def __init__(self, given: int, current: int) -> None:
        self.given, self.current = given, current
        super().__init__(
            f"Somebody changed this record: you saw version {given}, it is now version {current}. "
            "Look at the new state and try again."
        )


class Refused(ActionError):
    """A rule said no. Carries one or more reasons, each with what would make it pass."""

    code = "refused"

    def __init__(self, *reasons: Reason) -> None:
        self.reasons = reasons
        self.code = reasons[0].code if reasons else "refused"
        super().__init__(" ".join(str(reason) for reason in reasons))
