"""What the record of a closed joint must say."""

from collections.abc import Collection
from typing import Final

from valvecare.core.errors import Reason
from valvecare.engineering.tightening import COMMON_PRACTICE_PASSES

PASSES: Final = (
    "hand tight",
    *(f"cross pass {share * 100:g} %" for share in COMMON_PRACTICE_PASSES.shares),
    "circular pass",
)
"""Passes of tightening with a torque wrench, named as the tightening plan names them."""


def why_not_joint(
    *, lubricant: str, torque_nm: float | None, passes: Collection[str], new_gasket: bool
) -> Reason | None:
    """An opened joint gets a new gasket, a named lubricant, a torque and every pass."""
    if not new_gasket:
        return Reason(
            "gasket_not_new",
            "An opened joint gets a new gasket; the old one has taken its set.",
            "Fit a new gasket and say so.",
        )
    if not lubricant.strip():
        return Reason(
            "no_lubricant",
            "The torque means nothing without the lubricant of the threads.",
            "Name the lubricant that was used.",
        )
    if torque_nm is None or not 1 <= torque_nm <= 20_000:
        return Reason(
            "no_torque",
            "The torque that was set is missing, or outside 1 to 20 000 N m.",
            "Give the setting of the wrench in N m.",
        )
    missing = [name for name in PASSES if name not in passes]
    strange = sorted(set(passes) - set(PASSES))
    if missing or strange:
        return Reason(
            "passes_missing",
            f"Not ticked: {', '.join(missing)}." if missing else f"Not a pass: {strange[0]}.",
            "Do every pass in its order, then tick it.",
            {"missing": missing},
        )
    return None
