"""When the owner of an order is told that the verdict of its valve changed under it."""

from dataclasses import dataclass

from valvecare.work.rules.words import OrderState

HAS_AN_OWNER = tuple(
    state
    for state in OrderState
    if state not in (OrderState.RAISED, OrderState.CLOSED, OrderState.DROPPED)
)
"""From 'agreed' on somebody counts on the order; before that there is nobody to tell."""


@dataclass(frozen=True, slots=True)
class VerdictFacts:
    """What a verdict asks of the people at the valve."""

    word: str
    code: str
    restriction: str
    reason: str


def told_of_change(before: VerdictFacts, now: VerdictFacts) -> str:
    """The sentence the owner is told; empty when nothing of it concerns the work.

    A changed word, ground or restriction concerns it; moved dates and sizes do not.
    """
    if (before.word, before.code, before.restriction) == (now.word, now.code, now.restriction):
        return ""
    moved = (
        f"The verdict changed from '{before.word}' to '{now.word}'"
        if before.word != now.word
        else f"The verdict is still '{now.word}', for another reason"
    )
    restriction = f" Restriction: {now.restriction}" if now.restriction else ""
    return f"{moved}. {now.reason}{restriction}"
