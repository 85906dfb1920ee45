"""How open orders follow what is due, and what a finished order tells the clocks."""

from dataclasses import dataclass

from valvecare.due.rules import DueState
from valvecare.work.rules.steps import NEEDS_PROOF
from valvecare.work.rules.words import OrderKind


def acts_of(kind: OrderKind, *, test_passed: bool) -> tuple[OrderKind, ...]:
    """The acts a finished order tells the clocks; which clocks each restarts is due's own rule.

    A corrective repair of one part is no act. A function test is one only when it was passed,
    as an order of its own or at the end of another.
    """
    if kind is OrderKind.CORRECTIVE:
        return ()
    own = () if kind is OrderKind.FUNCTION_TEST else (kind,)
    return (*own, OrderKind.FUNCTION_TEST) if test_passed and kind in NEEDS_PROOF else own


GONE_BELOW_SHARE = 0.5
"""An untouched automatic order goes away below this share, well under the share that raises it,
so that a late reading does not make it come and go."""


@dataclass(frozen=True)
class DueFacts:
    """State and share of a due item."""

    state: DueState
    share_used: float | None


def wants_order(due: DueFacts) -> bool:
    """True when a due item wants an order: no record, overdue or coming up."""
    return due.state is not DueState.NOT_YET


def why_gone(due: DueFacts | None) -> str:
    """Why an untouched automatic order is no longer wanted; empty when it is."""
    if due is None:
        return "No policy asks for this task at this valve any more."
    if due.state is DueState.NOT_YET and (due.share_used or 0) < GONE_BELOW_SHARE:
        return f"Not due any more: {due.share_used or 0:.2f} of the limit used."
    return ""
