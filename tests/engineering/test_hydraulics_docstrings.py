"""Every public hydraulic function says what goes in, what comes out and where it is from."""

import importlib
import inspect
import re

import pytest

from tests.engineering.test_hydraulics_import import MODULES

SECTIONS = ("Parameters", "Returns", "Raises", "Assumptions", "Source", "Examples")
FUNCTIONS = [
    pytest.param(function, id=f"{name}.{function.__name__}")
    for name in MODULES
    for _, function in inspect.getmembers(
        importlib.import_module(f"valvecare.engineering.{name}"), inspect.isfunction
    )
    if function.__module__ == f"valvecare.engineering.{name}"
    and not function.__name__.startswith("_")
]
UNIT_SUFFIX = re.compile(
    r"_(m|m2|m3|m3_per_s|m_per_s|m2_per_s|pa|pa_abs|pa_gauge|pa_s|k|degc|kg|kg_per_m3|j_per_kg|"
    r"j_per_kg_k|w|w_per_m_k|w_per_m2_k|s|h|per_s|per_kwh|share|coefficient|factor|loss|exponent|"
    r"ratio|efficiency|probability|uncertainties|known|flow|test)$"
)
NO_UNIT = {
    "air_prandtl",
    "calibration_in_date",
    "choked",
    "closing",
    "compression_rises_k",
    "contributions",
    "curve",
    "eccentricity",
    "efficiencies",
    "efficiency",
    "emissivity",
    "estimate",
    "flows_m3_per_s",
    "from_unit",
    "heads_m",
    "hours",
    "hours_since_shut",
    "instruments",
    "kind",
    "kv",
    "kv_under_test",
    "kvs",
    "limit",
    "limits",
    "line",
    "liquid",
    "lower_limit",
    "measured",
    "name",
    "not_applicable",
    "npsh_required",
    "of",
    "opening",
    "other_limits_m3_per_s",
    "pair",
    "probability",
    "rated",
    "reference",
    "required",
    "source",
    "standard_uncertainty",
    "standby",
    "static",
    "stop",
    "stronger",
    "taps",
    "test",
    "thermal",
    "to_unit",
    "u_kv",
    "unit",
    "value",
    "weaker",
    "zero_main_flow",
}


def test_there_are_functions_to_look_at() -> None:
    assert len(FUNCTIONS) >= 70


@pytest.mark.parametrize("function", FUNCTIONS)
def test_docstring_has_its_sections_in_order(function) -> None:  # type: ignore[no-untyped-def]
    text = inspect.getdoc(function) or ""
    places = [text.find(f"\n{section}\n{'-' * len(section)}") for section in SECTIONS]
    assert -1 not in places
    assert places == sorted(places)
    assert ">>>" in text or "docs/methods/" in text


@pytest.mark.parametrize("function", FUNCTIONS)
def test_every_argument_carries_its_unit_and_is_described(function) -> None:  # type: ignore[no-untyped-def]
    text = inspect.getdoc(function) or ""
    see_also = re.search(r"see `\w+`", text) is not None or "as the laminar one" in text
    for name, parameter in inspect.signature(function).parameters.items():
        assert name in NO_UNIT or UNIT_SUFFIX.search(name), f"{name} has no unit"
        described = name in text or (name.startswith("u_") and "u_..." in text)
        assert described or see_also, f"{name} is not described"
        assert parameter.default is inspect.Parameter.empty or (
            function.__module__.endswith("plausible")
        ), f"{name} has a silent default"
