"""Catalogue entries: seat leak against its class; seals, lubricants and media."""

from collections.abc import Mapping
from typing import Any

from valvecare.engineering import leak_classes, leak_verdict, seals
from valvecare.engineering.catalogue.forms import Computation, Example, Group
from valvecare.engineering.catalogue.parts import (
    BAR,
    DEGC,
    ML,
    ML_MIN,
    SECOND,
    SHARE,
    choice,
    having,
    number,
    out,
    range_of,
    text,
)
from valvecare.engineering.plausible import Window

_ISO = "ISO 5208 rates, from a public table (seen)"
_DN = number("dn", "Nominal size DN", "dn", None, range_of("dn"), 100.0)
_MEDIUM = choice("medium", "Test medium", "medium", tuple(leak_classes.Medium), "liquid")
_RATE = choice("rate", "ISO 5208 rate", "rate", leak_classes.iso5208_rates(), "D")
_EITHER = "Give counted drops with the size of a drop, or the leak as measured."


def _assess(v: Mapping[str, Any]) -> leak_verdict.LeakAssessment:
    def record(kind: Any, word: str) -> Any:
        own = {name.partition(".")[2]: v[name] for name in v if name.startswith(f"{word}.")}
        return kind(**own)

    return leak_verdict.leak_assessment(
        record(leak_verdict.LeakTest, "test"),
        record(leak_verdict.LeakRequirement, "requirement"),
    )


ENTRIES = (
    Computation(
        name="leak-limit",
        title="Largest seat leak of a rate",
        group=Group.LEAKAGE,
        purpose="What a rate of ISO 5208 allows at a size.",
        function=leak_classes.iso5208_limit,
        inputs=(having(_RATE, choices=leak_classes.iso5208_rates()[1:]), _DN, _MEDIUM),
        outputs=(out("limit_ml_per_min", "Largest leak", "", ML_MIN),),
        formula="limit = factor of the rate × DN",
        sources=(_ISO,),
        example=Example(
            expected={"limit_ml_per_min": 0.6}, tolerance=1e-6,
            source="rate D, DN 100, liquid: 10 mm³/s (published)",
        ),
        page="leak-class",
    ),
    Computation(
        name="leak-assessment",
        title="Seat leak test against the required rate",
        group=Group.LEAKAGE,
        purpose="Met, not met or inconclusive, with the tightest rate met.",
        function=leak_verdict.leak_assessment,
        run=_assess,
        inputs=(
            having(_DN, si="test.dn"),
            having(_MEDIUM, si="test.medium"),
            number("test_difference_bar", "Pressure difference of the test",
                   "test.difference_pa", BAR, range_of("leak_difference_pa"), 11.0),
            number("test_s", "Length of the test", "test.seconds", SECOND, range_of("seconds"),
                   300.0),
            number("temperature_degc", "Temperature of the medium", "test.temperature_degc",
                   DEGC, range_of("temperature_degc"), 20.0),
            number("drops", "Drops counted", "test.drops", None, range_of("drops"), 95.0,
                   if_absent=_EITHER),
            number("drop_volume_ml", "Volume of one drop", "test.drop_volume_m3", ML,
                   range_of("drop_volume_m3"), 0.0625, if_absent=_EITHER,
                   help="16 drops to the millilitre is the convention: 0.0625."),
            number("leak_ml_per_min", "Leak as measured", "test.leak_m3_per_s", ML_MIN,
                   range_of("leak_rate_m3_per_s"), None, if_absent=_EITHER),
            having(_RATE, name="required_rate", si="requirement.rate", example="E"),
            number("required_difference_bar", "Required pressure difference",
                   "requirement.difference_pa", BAR, range_of("leak_difference_pa"), 11.0),
            number("required_s", "Required length of the test", "requirement.seconds", SECOND,
                   Window("s", at_least=5.0, at_most=3600.0), 60.0),
            number("pressure_tolerance", "Tolerance of the pressure",
                   "requirement.pressure_tolerance", SHARE,
                   Window("a share", at_least=0.0, at_most=0.2), 0.05),
        ),
        outputs=(
            out("result", "Result", "result"),
            out("best_rate", "Tightest rate met", "best_rate"),
            out("leak_ml_per_min", "Leak", "leak_m3_per_s", ML_MIN),
            out("is_bound", "The leak is an upper bound", "is_bound"),
            out("limit_ml_per_min", "Limit of the required rate", "limit_m3_per_s", ML_MIN),
        ),
        formula="leak = drops × drop/time; met if at or below factor × DN",
        sources=(_ISO, "1 ml = 16 drops (seen)"),
        aliases={"drops or leak_m3_per_s": "drops"},
        cautions=("return-to-service",),
        example=Example(
            expected={"result": "met", "best_rate": "E", "leak_ml_per_min": 1.1875},
            tolerance=1e-6,
            source="95 drops in 300 s at DN 100: rate E, 19.79 mm³/s (published rates)",
        ),
        page="leak-class",
    ),
    Computation(
        name="seal-lubricant",
        title="May this lubricant touch this seal",
        group=Group.SEALS,
        purpose="Only exactly listed pairs are allowed; nothing near is taken instead.",
        function=seals.seal_lubricant_decision,
        inputs=(
            text("seal", "Seal material", "seal", "EPDM",
                 help="Listed: " + ", ".join(seals.listed_seals()) + "."),
            text("agent", "Assembly agent", "agent", "mineral grease",
                 help="Listed: " + ", ".join(seals.listed_agents()) + "."),
        ),
        outputs=(
            out("answer", "Answer", "answer"),
            out("is_listed", "Pair is listed", "is_listed"),
            out("who_may_decide", "Who may decide otherwise", "who_may_decide"),
            out("source", "Source", "source"),
        ),
        formula="look-up of the exact pair",
        sources=("public seal tables (seen)", "common practice"),
        cautions=("listed-pairs",),
        example=Example(
            expected={"answer": "refuse", "is_listed": True},
            source="EPDM swells 30 to 80 % in mineral oil (published)",
        ),
        page="seal-pairs",
    ),
    Computation(
        name="seal-medium",
        title="May this seal meet this medium",
        group=Group.SEALS,
        purpose="Only exactly listed pairs inside their temperatures are allowed.",
        function=seals.seal_medium_decision,
        inputs=(
            text("seal", "Seal material", "seal", "EPDM",
                 help="Listed: " + ", ".join(seals.listed_seals()) + "."),
            text("medium", "Medium", "medium", "steam",
                 help="Listed: " + ", ".join(seals.listed_media()) + "."),
            number("temperature_degc", "Temperature", "temperature_degc", DEGC,
                   range_of("temperature_degc"), 140.0),
        ),
        outputs=(
            out("answer", "Answer", "answer"),
            out("is_listed", "Pair is listed", "is_listed"),
            out("who_may_decide", "Who may decide otherwise", "who_may_decide"),
            out("source", "Source", "source"),
        ),
        formula="look-up of the exact pair and its temperatures",
        sources=("public seal tables (seen)",),
        cautions=("listed-pairs",),
        example=Example(
            expected={"answer": "allow"}, source="EPDM in steam at 140 °C (published)"
        ),
        page="seal-pairs",
    ),
)  # fmt: skip
