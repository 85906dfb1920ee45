"""Every computation of the catalogue gives its worked example, and says where it comes from."""

import json
from pathlib import Path

import pytest

from valvecare.engineering import catalogue
from valvecare.engineering.catalogue import CATALOGUE, Form, calculate
from valvecare.engineering.cautions import DEFER, caution
from valvecare.engineering.trend import TrendReason
from valvecare.engineering.usage import BandReason

DOCS = Path(__file__).parents[2] / "docs" / "methods"
ENTRIES = list(CATALOGUE.values())
NAMES = list(CATALOGUE)


@pytest.mark.parametrize("name", NAMES)
def test_the_worked_example_comes_out(name):
    entry = CATALOGUE[name]
    answer = calculate(name, entry.example_inputs()).as_dict()
    got = {**answer["results"], **answer["uncertainty"]}
    assert entry.example.expected
    assert entry.example.source
    for figure, expected in entry.example.expected.items():
        if isinstance(expected, float):
            expected = pytest.approx(expected, rel=entry.example.tolerance)
        assert got[figure] == expected, figure


@pytest.mark.parametrize("name", NAMES)
def test_the_answer_shows_its_working(name):
    entry = CATALOGUE[name]
    answer = calculate(name, entry.example_inputs()).as_dict()
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert [given["name"] for given in answer["inputs"]] == list(entry.example_inputs())
    assert answer["formula"]
    assert answer["sources"]
    assert answer["function"].startswith("valvecare.engineering.")
    ids = [shown["id"] for shown in answer["cautions"]]
    assert ids[-1] == "advice-only"
    assert set(entry.cautions) <= set(ids)
    assert all(shown["text"].endswith(DEFER) for shown in answer["cautions"])


@pytest.mark.parametrize("name", NAMES)
def test_the_entry_is_complete(name):
    """Inputs and outputs have names of their own, units are of the table, the page exists."""
    entry = CATALOGUE[name]
    inputs = [item.name for item in entry.inputs]
    inside = [item.si for item in entry.inputs]
    outputs = [output.name for output in entry.outputs]
    for names in (inputs, inside, outputs):
        assert len(names) == len(set(names))
    for item in [*entry.inputs, *(column for each in entry.inputs for column in each.columns)]:
        assert item.unit is None or item.unit.codes[0] == item.unit.code
        if item.form is Form.NUMBER:
            assert item.window is not None, item.name
            assert item.allowed()
        if item.form in (Form.CHOICE, Form.CHOICES):
            assert item.choices
    for id in entry.cautions:
        assert caution(id).id == id
    assert (DOCS / f"{entry.page}.md").exists(), f"no method page {entry.page}"


def test_the_methods_page_names_every_calculation():
    listed = (DOCS / "README.md").read_text(encoding="utf-8")
    for name, entry in CATALOGUE.items():
        assert f"| `{name}` | {entry.title} | [{entry.page}]({entry.page}.md) |" in listed


@pytest.mark.parametrize(
    ("name", "reasons"), [("usage-forecast", BandReason), ("limit-crossing", TrendReason)]
)
def test_every_reason_code_has_words(name, reasons):
    assert set(CATALOGUE[name].reason_words) == {reason.value for reason in reasons}


def test_every_group_has_a_computation():
    assert {entry.group for entry in ENTRIES} == set(catalogue.Group)


@pytest.mark.parametrize(
    ("name", "inputs", "figure", "expected", "source"),
    [
        (
            "handbook-minimum-flow",
            {
                "shaft_power_kw": {"value": 100, "unit": "hp"},
                "density_kg_per_m3": 1000.0,
                "specific_heat_kj_per_kg_k": {"value": 1.0, "unit": "Btu/(lb degF)"},
                "allowed_rise_k": {"value": 15, "unit": "degF"},
            },
            "flow_m3_per_h",
            33.9 * 0.2271247,
            "BHP/(2.95 cp SG): 33.9 US gal/min (published formula)",
        ),
        (
            "npsh-available",
            {
                "surface_pressure_bar_a": {"value": 13.2, "unit": "psia"},
                "vapour_pressure_bar_a": {"value": 11.5, "unit": "psia"},
                "static_head_m": {"value": 10, "unit": "ft"},
                "friction_head_m": {"value": 1.0, "unit": "ft"},
                "density_kg_per_m3": 963.0,
            },
            "npsh_available_m",
            13.07 * 0.3048,
            "Ludwig, example 3-9: 13.07 ft (published)",
        ),
        (
            "torque-by-nut-factor",
            {
                "preload_kn": {"value": 44_550, "unit": "lbf"},
                "thread_diameter_mm": {"value": 1.0, "unit": "in"},
                "nut_factor": 0.167,
            },
            "torque_n_m",
            620 * 1.3558179,
            "stud torque table: 620 ft·lbf (published)",
        ),
        (
            "outlet-temperature-rise",
            {
                "head_m": {"value": 5000, "unit": "ft"},
                "efficiency": {"value": 80, "unit": "%"},
                "specific_heat_kj_per_kg_k": {"value": 1.0, "unit": "Btu/(lb degF)"},
                "compression_rise_k": 0.0,
            },
            "outlet_rise_k",
            1.6 / 1.8,
            "published worked example: 1.6 °F",
        ),
    ],
)
def test_published_examples_in_their_own_units(name, inputs, figure, expected, source):
    got = calculate(name, inputs).as_dict()["results"][figure]
    assert got == pytest.approx(expected, rel=6e-3), source
