"""What a run needs to begin, what may be read in a step, when it may end."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import hypot

from valvecare.core.errors import Reason
from valvecare.engineering.flow_choice import MethodJudgement
from valvecare.proving.rules.facts import RunJudgement, Vessel
from valvecare.proving.rules.quantities import (
    INSTRUMENTS_OF,
    RANGES,
    SPECS,
    STEPS_WITH_STOPS,
    WATCHED_READ,
    TestQuantity,
    asked,
)
from valvecare.work.rules.test_methods import PROOF_METHODS
from valvecare.work.rules.test_steps import STEP_IDS, WATCHED_UNITS, Watched

MOST_STOPS = 30
ABORT = (
    "Stop the pump now, by the person at the stop button. Keep clear of it. Do not start it again "
    "before the cause is found; zero speed first."
)
"""What to do when an abort limit is crossed; the maker's and local instructions come first."""


@dataclass(frozen=True)
class LineUp:
    """What was looked at before the start. `parallel_pump` in words: what was decided about it."""

    suction_open: bool
    return_open: bool
    return_sealed_open: bool
    vented: bool
    parallel_pump: str
    has_warm_keeping_line: bool | None


@dataclass(frozen=True)
class AbortLimit:
    """The limit agreed for one watched quantity, or why it is not watched."""

    limit: float | None
    because: str = ""


def why_no_limits(missing: Mapping[str, str]) -> Reason | None:
    """Name what the register or the owner's policy does not hold."""
    if not missing:
        return None
    return Reason(
        "limits_not_known",
        "A guided test cannot be judged here: "
        + "; ".join(f"{name}: {why}" for name, why in missing.items())
        + ".",
        "Have it entered by its owner, or record the result of a test without steps.",
        {"missing": sorted(missing)},
    )


def why_not_method(
    method: str, judged: Sequence[MethodJudgement], *, words: str, nothing: str
) -> Reason | None:
    """Only an able method; another one than the best with the reason in words."""
    if not judged:
        return Reason("no_method_judged", nothing, "Put the instruments on the site's list.")
    found = next((row for row in judged if row.method == method), None)
    if found is None:
        return Reason(
            "method_unknown",
            f"{method} is no way of knowing the bypass flow here.",
            f"One of: {', '.join(row.method for row in judged)}.",
        )
    if not found.able or method not in PROOF_METHODS:
        best = judged[0].method if judged[0].able else ""
        return Reason(
            "method_not_able",
            f"{method} cannot prove the flow of this pump: {found.reason}.",
            f"Use {best}." if best else "Bring an instrument that can.",
            {"method": method},
        )
    if method != judged[0].method and not words.strip():
        return Reason(
            "method_not_best",
            f"{judged[0].method} is better here ({judged[0].reason}) than {method} "
            f"({found.reason}).",
            "Say why the other one is used.",
            {"best": judged[0].method},
        )
    return None


def why_not_instruments(method: str, kinds: Sequence[str]) -> Reason | None:
    """The method's instruments are among those that are taken."""
    lacking = [
        f"{number} × {kind.value}" if number > 1 else kind.value
        for kind, number in INSTRUMENTS_OF[method]
        if kinds.count(kind.value) < number
    ]
    if not lacking:
        return None
    return Reason(
        "instruments_missing",
        f"{method} needs: {', '.join(lacking)}.",
        "Name the instruments you take along, or choose another method.",
        {"missing": lacking},
    )


def why_not_abort_limits(given: Mapping[Watched, AbortLimit]) -> Reason | None:
    """Every watched quantity has its limit agreed, or says why it is not watched."""
    bare = [
        watched.value
        for watched in Watched
        if watched not in given
        or (given[watched].limit is None and not given[watched].because.strip())
    ]
    if bare:
        return Reason(
            "abort_limits_not_agreed",
            f"No abort limit is agreed for: {', '.join(bare)}.",
            "Agree a limit with operations, or say why it is not watched.",
            {"missing": bare},
        )
    odd = [
        watched.value
        for watched, limit in given.items()
        if limit.limit is not None and not 0.0 < limit.limit < 1e5
    ]
    if odd:
        return Reason("abort_limit_odd", f"Not a limit: {', '.join(odd)}.", "Give it above 0.")
    return None


def why_not_line_up(line_up: LineUp) -> Reason | None:
    """The pump may be started with zero main flow only when the way through the bypass is open."""
    lacking = [
        words
        for is_done, words in (
            (line_up.suction_open, "suction open"),
            (line_up.return_open, "return line open"),
            (line_up.return_sealed_open, "return line sealed open"),
            (line_up.vented, "vented fully"),
            (bool(line_up.parallel_pump.strip()), "parallel pump decided"),
            (line_up.has_warm_keeping_line is not None, "warm-keeping line: yes or no"),
        )
        if not is_done
    ]
    if not lacking:
        return None
    return Reason(
        "line_up_open",
        f"Not checked before the start: {', '.join(lacking)}.",
        "Look at each at the pump. Running closed-in boils the liquid in it.",
        {"missing": lacking},
    )


def not_applicable(installed: int, line_up: LineUp) -> dict[str, str]:
    """The steps that do not apply, by the facts of group and line-up."""
    found: dict[str, str] = {}
    if installed < 2:
        found["T6"] = "single pump"
    if line_up.has_warm_keeping_line is False:
        found["T7"] = "no warm-keeping line"
    return found


def why_not_read(*, is_open: bool, is_of_this_revision: bool) -> Reason | None:
    """A run that has ended, or whose order was opened again since, takes nothing more."""
    if not is_open:
        return Reason(
            "run_ended",
            "This test has ended: its readings are evidence.",
            "Begin another one on the order.",
        )
    if not is_of_this_revision:
        return Reason(
            "test_of_old_revision",
            "The order was closed and opened again since this test began.",
            "Begin another one on the order.",
        )
    return None


_VESSEL_ABOVE_ZERO: Mapping[str, tuple[str, str]] = {
    "surface_m2": ("surface", "m²"),
    "u_surface_m2": ("standard uncertainty of the surface", "m²"),
    "u_other_outflow_m3_per_h": ("standard uncertainty of the other flows", "m³/h"),
}


def why_not_vessel(vessel: Vessel | None) -> Reason | None:
    """Nothing about a vessel is known for certain: surface and uncertainties are above zero."""
    odd = {
        name: f"{words} {getattr(vessel, name):g} {unit}"
        for name, (words, unit) in _VESSEL_ABOVE_ZERO.items()
        if vessel is not None and not getattr(vessel, name) > 0.0
    }
    if not odd:
        return None
    return Reason(
        "vessel_odd",
        f"The vessel cannot be so: {', '.join(odd.values())}.",
        "Give it above 0, as well as it is known.",
        {"fields": list(odd)},
    )


def vessel_share(vessel: Vessel, required_m3_per_h: float) -> float:
    """Relative standard uncertainty a vessel's level can have at best.

    That of its surface and of its other flows against the required flow in m3/h; the level gauge
    adds to it when it is read. Common practice: JCGM 100, uncorrelated (from memory).

    >>> vessel_share(Vessel(10.0, 0.3, 0.0, 1.2), 30.0)
    0.05
    """
    return hypot(
        vessel.u_surface_m2 / vessel.surface_m2,
        vessel.u_other_outflow_m3_per_h / required_m3_per_h,
    )


def why_not_step(step: str, inapplicable: Collection[str]) -> Reason | None:
    """A step of the list that applies to this pump."""
    if step not in STEP_IDS:
        return Reason(
            "step_unknown", f"{step} is no step of the test.", f"One of: {', '.join(STEP_IDS)}."
        )
    if step in inapplicable:
        return Reason(
            "step_not_applicable", f"{step} does not apply to this pump.", "Leave it out."
        )
    return None


def is_at_stop(step: str, quantity: TestQuantity) -> bool:
    """Whether this quantity belongs to a stop of its step."""
    return step in STEPS_WITH_STOPS and quantity in (
        TestQuantity.MAIN_FLOW,
        TestQuantity.BYPASS_FLOW,
        TestQuantity.PUMP_FLOW,
    )


def why_not_value(
    step: str, quantity: TestQuantity, value: float, *, stop: int | None, method: str
) -> Reason | None:
    """A quantity of this step, a sane value, and a stop where the step has stops."""
    if quantity not in asked(step, method):
        return Reason(
            "not_asked",
            f"'{quantity}' is not read in {step}.",
            f"{step} asks for: {', '.join(asked(step, method))}.",
            {"step": step, "quantity": quantity.value},
        )
    spec = SPECS[quantity]
    low, high = RANGES[spec.unit]
    if not low <= value <= high or (spec.is_seen and value not in (0.0, 1.0)):
        wanted = "yes or no" if spec.is_seen else f"{low:g} to {high:g} {spec.unit}"
        return Reason("value_odd", f"{value:g} is no {quantity}.", f"Give {wanted}.")
    at_stop = is_at_stop(step, quantity)
    if at_stop and (stop is None or not 1 <= stop <= MOST_STOPS):
        return Reason(
            "no_stop",
            f"In {step} a flow belongs to a stop.",
            f"Number the stops from 1, at most {MOST_STOPS}.",
        )
    if not at_stop and stop is not None:
        return Reason("stop_not_asked", f"'{quantity}' in {step} has no stop.", "Leave it out.")
    return None


def abort_words(watched: Watched, value: float, limits: Mapping[Watched, AbortLimit]) -> str:
    """What was crossed, in words; empty when the limit was kept or none is agreed."""
    limit = limits.get(watched, AbortLimit(None)).limit
    if limit is None or value <= limit:
        return ""
    unit = WATCHED_UNITS[watched]
    return f"{watched} {value:.4g} {unit}, agreed limit {limit:g} {unit}"


def watched_by(quantity: TestQuantity) -> Watched | None:
    """The abort limit a quantity is held against as read."""
    return WATCHED_READ.get(quantity)


def why_not_answer(because: str) -> Reason | None:
    """'Not done' is an answer only with its reason."""
    if because.strip():
        return None
    return Reason("no_because", "Say why the step is not done.", "A few plain words will do.")


def broken_off(judged: RunJudgement, crossed: Sequence[str]) -> Mapping[str, str]:
    """Why each step without an answer was not done, once an abort limit was crossed: by step.

    Nobody goes on after a break-off, so nobody is asked again why the rest was left.
    """
    if not crossed:
        return {}
    because = f"the test was broken off: {crossed[0]}"
    return {line.step: because for line in judged.steps if not line.is_answered}


def why_not_finish(judged: RunJudgement) -> Reason | None:
    """Every step that applies was done with all it needs, or says why not. Empty is no answer."""
    bare = {
        line.step: "; ".join(line.lacking) or "not done"
        for line in judged.steps
        if not line.is_answered
    }
    if not bare:
        return None
    return Reason(
        "steps_not_answered",
        "Not answered: " + ". ".join(f"{step}: {why}" for step, why in bare.items()) + ".",
        "Read what is lacking, or say 'not done, because …' at each.",
        {"steps": sorted(bare)},
    )
