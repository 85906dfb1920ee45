"""Catalogue entries: the order and passes of tightening and of loosening a cover."""

from collections.abc import Mapping
from typing import Any

from valvecare.engineering import loosening, tightening
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.joints import CAUTIONS, TORQUE
from valvecare.engineering.catalogue.parts import (
    MM,
    N_M,
    SECOND,
    SHARE,
    number,
    out,
    rows,
    text,
    whole,
)
from valvecare.engineering.plausible import Window

_COUNT = whole("count", "Number of fasteners", "count", 2, 200, 8)
_SHARES = rows(
    "passes", "Passes, shares of the torque", "shares",
    (number("share", "Share of the torque", "share", SHARE,
            Window("a share", above=0.0, at_most=1.0), 0.3),),
    ((0.3,), (0.6,), (1.0,)), least=1,
    help="Ascending, the last one 1. Common practice: 0.3, 0.6, 1.",
)  # fmt: skip


def _plan(v: Mapping[str, Any]) -> tightening.TighteningPlan:
    policy = tightening.PassPolicy(
        snug_cap_nm=v["snug_cap_nm"],
        snug_share=v["snug_share"],
        shares=v["shares"]["share"],
        gap_limit_m=v["gap_limit_m"],
        dwell_s=v["dwell_s"],
        source=v["source"],
    )
    return tightening.tightening_plan(v["count"], v["torque_nm"], policy=policy)


ENTRIES = (
    Computation(
        name="tightening-plan",
        title="Tightening plan of a cover",
        group=Group.JOINT,
        purpose="Every pass: torque, positions in order, gap checks, waiting time.",
        function=tightening.tightening_plan,
        run=_plan,
        inputs=(
            _COUNT,
            TORQUE,
            number("snug_cap_n_m", "Hand-tight: at most", "snug_cap_nm", N_M,
                   Window("N m", above=0.0, at_most=200.0), 30.0),
            number("snug_share", "Hand-tight: and at most this share", "snug_share", SHARE,
                   Window("a share", above=0.0, at_most=0.5), 0.2),
            _SHARES,
            number("gap_limit_mm", "Largest difference of the gap readings", "gap_limit_m", MM,
                   Window("m", at_least=1e-5, at_most=0.005), 0.5),
            number("wait_s", "Wait before the last round", "dwell_s", SECOND,
                   Window("s", at_least=0.0, at_most=172_800.0), 14_400.0,
                   help="0: no waiting; otherwise 10 minutes or more."),
            text("policy_source", "Where these figures come from", "source",
                 "common practice, owner's policy"),
        ),
        outputs=(
            out("order", "Order of the positions", "order"),
            out("steps", "Passes", "steps"),
        ),
        formula="hand-tight, cross passes at the shares, one pass around the circle",
        sources=(
            "30/60/100 % and a last pass around: public gasket FAQ and stud charts (seen)",
            "cross order: ASME PCC-1 legacy pattern (from memory; 8 bolts seen)",
        ),
        cautions=(*CAUTIONS, "compress-evenly"),
        example=Example(
            expected={"order": [1, 5, 3, 7, 2, 6, 4, 8]},
            source="gasket FAQ, 12-6-3-9 o'clock halving (seen)",
        ),
        page="tightening-plan",
    ),
    Computation(
        name="loosening-plan",
        title="Loosening plan of a spring-loaded cover",
        group=Group.JOINT,
        purpose="Rounds of small equal turns that release a cover evenly, far side first.",
        function=loosening.loosening_plan,
        inputs=(
            _COUNT,
            number("turns_to_free", "Turns until the spring is free", "turns_to_free", None,
                   Window("turns", at_least=0.0, at_most=500.0), 20.0,
                   help="See release-verdict."),
            number("turns_per_round", "Turns of one round", "turns_per_round", None,
                   Window("turns", above=0.0, at_most=2.0), 1.0),
            whole("first_position", "First position, the far side", "first_position", 1, 200, 5),
        ),
        outputs=(
            out("order", "Order of the positions", "order"),
            out("total_turns", "Turns in total", "total_turns"),
            out("rounds", "Rounds", "rounds"),
        ),
        formula="equal turns, opposite positions in turn",
        sources=("common practice",),
        cautions=("stored-energy", "trapped-pressure", "spring-cover"),
        example=Example(
            expected={"total_turns": 20.0}, source="twenty rounds of one turn", tolerance=1e-9
        ),
        page="tightening-plan",
    ),
)  # fmt: skip
