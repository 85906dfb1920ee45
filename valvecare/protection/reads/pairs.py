"""Which pump of a group is pushed shut by the strongest one, and below which flow."""

from functools import lru_cache

from valvecare.engineering.errors import Refusal
from valvecare.engineering.parallel_pumps import pump_pair_interaction
from valvecare.engineering.units import from_si
from valvecare.protection.reads.fleet import Fleet
from valvecare.protection.rules import Hydraulics, PairFact
from valvecare.protection.rules.capacity import curve_of, liquid_of

KEPT = 4096
"""Pairs of curves remembered in a process; curves change rarely, sweeps are many."""


@lru_cache(maxsize=KEPT)
def _shutoff_head_m(facts: Hydraulics) -> float | None:
    try:
        return curve_of(facts, liquid_of(facts)).shutoff_head()
    except Refusal:
        return None


@lru_cache(maxsize=KEPT)
def _interaction(stronger: Hydraulics, weaker: Hydraulics) -> tuple[float, float] | None:
    """Limit flow of the stronger in m3/h and as a share of its best flow."""
    try:
        pair = pump_pair_interaction(
            curve_of(stronger, liquid_of(stronger)),
            curve_of(weaker, liquid_of(weaker)),
            weaker_bypass_flow_m3_per_s=0.0,
        )
    except Refusal:
        return None
    return from_si("volume_flow", "m3/h", pair.limit_flow_m3_per_s), pair.share_of_best_flow


def pairs_of(fleet: Fleet) -> dict[int, PairFact]:
    """The wanted valves whose pump is weaker than the strongest of its group."""
    found: dict[int, PairFact] = {}
    wanted = set(fleet.wanted)
    for members in fleet.groups.values():
        curves = {fleet.hydraulics[valve].curve_m3_per_h_m_kw for valve in members}
        if len(curves) < 2 or wanted.isdisjoint(members):
            continue
        heads = {
            valve: head
            for valve in members
            if (head := _shutoff_head_m(fleet.hydraulics[valve])) is not None
        }
        if len(heads) < 2:
            continue
        strongest = max(heads, key=lambda valve: heads[valve])
        for valve, head in heads.items():
            if valve not in wanted or head >= heads[strongest]:
                continue
            pair = _interaction(fleet.hydraulics[strongest], fleet.hydraulics[valve])
            if pair is not None:
                found[valve] = PairFact(fleet.rows[strongest]["pump__tag"], *pair)
    return found
