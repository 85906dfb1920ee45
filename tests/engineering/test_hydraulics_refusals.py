"""Every input of every hydraulic function: missing, not a number, zero, negative, 1000 times off.

A row gives one sane call. Each numeric input is then spoiled in turn; the function must refuse,
and for a missing or non-finite value name the input. Where a spoiled value is a legitimate one the
row lists it: nothing else may pass.
"""

import inspect
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from math import inf, nan
from typing import Any

import pytest

from tests.engineering.hydraulics_calls_pump import (
    CALLS as PUMP_CALLS,
)
from tests.engineering.hydraulics_calls_pump import (
    MISSING,
    NEGATIVE,
    NOT_FINITE,
    THOUSAND,
    THOUSANDTH,
    ZEROED,
)
from tests.engineering.hydraulics_calls_valve import (
    CALLS as VALVE_CALLS,
)
from tests.engineering.hydraulics_calls_valve import (
    ESTIMATE,
    HERE,
    LIMITS,
    NOTHING,
    STEPS,
    THERE,
    ZERO,
)
from valvecare.engineering import (
    bypass,
    cooling,
    curves,
    fittings,
    flow_choice,
    flow_methods,
    flow_tests,
    heating,
    leakage,
    minimum_flow,
    orifice,
    parallel_pumps,
    pump_energy,
    suction,
    thermal,
    uncertainty,
    valve_flow,
)
from valvecare.engineering.errors import OutOfRange, Refusal

CALLS = PUMP_CALLS + VALVE_CALLS
SPOILS: dict[str, Callable[[float], Any]] = {
    MISSING: lambda value: None,
    NOT_FINITE: lambda value: nan,
    ZEROED: lambda value: 0.0,
    NEGATIVE: lambda value: -value,
    THOUSAND: lambda value: 1000.0 * value,
    THOUSANDTH: lambda value: 0.001 * value,
}


def is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


ROWS = [
    (function, call, allowed, name, spoil)
    for function, call, allowed in CALLS
    for name, value in call.items()
    if is_number(value)
    for spoil in SPOILS
]


def label(row: tuple[Any, ...]) -> str:
    function, _, _, name, spoil = row
    return f"{function.__module__.rpartition('.')[2]}.{function.__qualname__}-{name}-{spoil}"


@pytest.mark.parametrize(("function", "call", "allowed"), CALLS)
def test_the_sane_call_answers(
    function: Callable[..., Any], call: dict[str, Any], allowed: dict[str, set[str]]
) -> None:
    assert function(**call) is not None
    assert set(allowed) <= set(call)


@pytest.mark.parametrize("row", ROWS, ids=label)
def test_spoiled_input_is_refused(row: tuple[Any, ...]) -> None:
    function, call, allowed, name, spoil = row
    spoiled = {**call, name: SPOILS[spoil](call[name])}
    if spoil in allowed.get(name, set()):
        function(**spoiled)  # a legitimate value: it must not be refused, nor crash
        return
    with pytest.raises(Refusal) as caught:
        function(**spoiled)
    if spoil in (MISSING, NOT_FINITE):
        refusal = caught.value
        assert isinstance(refusal, OutOfRange)
        assert refusal.name in name or name in refusal.name or name.endswith(refusal.name)


CORRECTION = {
    "estimate": ESTIMATE,
    "head_m": 1200.0,
    "choked": False,
    "test": HERE,
    "reference": THERE,
}
RECORDS = [(flow_tests.flow_at_reference, CORRECTION, key) for key in ("test", "reference")] + [
    (flow_tests.judge_function_test, {"limits": LIMITS, "zero_main_flow": ZERO, **NOTHING}, key)
    for key in ("limits", "zero_main_flow")
]


@pytest.mark.parametrize("bad", [None, nan, inf, -1.0], ids=["missing", "nan", "inf", "negative"])
@pytest.mark.parametrize(("function", "call", "key"), RECORDS)
def test_every_number_inside_a_record_is_checked(
    function: Callable[..., Any], call: dict[str, Any], key: str, bad: float | None
) -> None:
    record: Any = call[key]
    assert is_dataclass(call[key])
    for field in fields(record):
        if is_number(getattr(record, field.name)):
            with pytest.raises(Refusal):
                function(**{**call, key: replace(record, **{field.name: bad})})


@pytest.mark.parametrize("step", ["opening", "rated", "closing", "stop", "pair", "standby"])
def test_every_number_inside_a_test_step_is_checked(step: str) -> None:
    done: dict[str, Any] = {
        "opening": flow_tests.Handover(STEPS, 0.016),
        "closing": flow_tests.Handover(STEPS, 0.016),
        "rated": flow_tests.RatedFlow(0.01, 5e-5, 5e-6, False),
        "stop": flow_tests.Stop(1.0, False, 1e4, 500.0),
        "pair": flow_tests.PairTest(ESTIMATE, 0.0125),
        "standby": flow_tests.Standby(False, False),
    }
    base = {"limits": LIMITS, "zero_main_flow": ZERO, **NOTHING}
    flow_tests.judge_function_test(**{**base, step: done[step]})
    for field in fields(done[step]):
        value = getattr(done[step], field.name)
        if is_number(value) or isinstance(value, bool):
            for bad in (None, nan):
                with pytest.raises(Refusal):
                    flow_tests.judge_function_test(
                        **{**base, step: replace(done[step], **{field.name: bad})}
                    )


MODULES = (
    bypass,
    cooling,
    curves,
    fittings,
    flow_choice,
    flow_methods,
    flow_tests,
    heating,
    leakage,
    minimum_flow,
    orifice,
    parallel_pumps,
    pump_energy,
    suction,
    thermal,
    uncertainty,
    valve_flow,
)
# tested for refusals beside their own tests: they take lists or records, no bare numbers
BY_THEMSELVES = {
    "curve_from_efficiencies",
    "required_minimum_flow",
    "kv_in_series",
    "combined_uncertainty",
    "choose_flow_method",
    "orifice_mass_flow",
}


def test_every_public_function_has_a_row() -> None:
    covered = {function.__qualname__ for function, _, _ in CALLS}
    for module in MODULES:
        for name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not name.startswith("_"):
                assert name in covered | BY_THEMSELVES, f"{module.__name__}.{name} has no row"
