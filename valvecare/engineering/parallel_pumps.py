"""Two pumps on one header: when does the stronger push the weaker one shut?"""

from dataclasses import dataclass

from valvecare.engineering import plausible
from valvecare.engineering.curves import PumpCurve
from valvecare.engineering.errors import NoSolution


@dataclass(frozen=True)
class PairInteraction:
    """Below `limit_flow_m3_per_s` of the stronger pump the weaker lives on its bypass alone."""

    limit_flow_m3_per_s: float
    share_of_best_flow: float
    whole_curve: bool
    weaker_head_m: float
    stronger_shutoff_head_m: float
    head_difference_share: float
    assumptions: tuple[str, ...]


def pump_pair_interaction(
    stronger: PumpCurve, weaker: PumpCurve, *, weaker_bypass_flow_m3_per_s: float
) -> PairInteraction:
    """Flow of the stronger pump below which the weaker pump's main disc is pushed shut.

    Parameters
    ----------
    stronger, weaker : curves at running speed, both from zero flow; `stronger` has the higher
        shut-off head
    weaker_bypass_flow_m3_per_s : m3/s the weaker pump passes through its own bypass then; 0 for
        the shut-off head, which gives the largest head it can hold against the header

    Returns
    -------
    PairInteraction; `whole_curve` is true when the weaker is pushed shut at every known flow.

    Raises
    ------
    OutOfRange : an input missing or insane
    NoSolution : the pump named stronger is not; a curve does not reach zero flow

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Question of NRC Bulletin 88-04 (via closing letter ML17305A312, seen); arithmetic own.

    Examples
    --------
    See docs/methods/parallel-pumps.md.
    """
    flow = plausible.FLOW_OR_ZERO.check("weaker_bypass_flow_m3_per_s", weaker_bypass_flow_m3_per_s)
    strong_head = stronger.shutoff_head()
    weaker.shutoff_head()
    weak_head = weaker.head(flow)
    if weak_head >= max(stronger.heads_m):
        raise NoSolution(
            f"the pump named stronger ({strong_head:g} m) does not push the other "
            f"({weak_head:g} m) shut; exchange them"
        )
    crossings = stronger.flows_at_head(weak_head)
    whole = not crossings
    limit = stronger.flows_m3_per_s[-1] if whole else crossings[-1]
    return PairInteraction(
        limit_flow_m3_per_s=limit,
        share_of_best_flow=limit / stronger.best_efficiency_flow_m3_per_s,
        whole_curve=whole,
        weaker_head_m=weak_head,
        stronger_shutoff_head_m=strong_head,
        head_difference_share=1.0 - weak_head / strong_head,
        assumptions=(
            "both pumps see the same suction and header pressure; equal losses to the header",
            "opening force of the main disc neglected",
        ),
    )
