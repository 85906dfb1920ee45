"""Every input of every computation, spoiled in twelve ways: refused by its name, or listed.

No input has a default: a missing one is refused, unless the entry itself says what the answer is
without it, and then the answer says so too. What is legitimately a value of an input, such as no
loss or a flow a thousand times smaller, stands with its reason in `legitimate_inputs.csv`; nothing
else may pass, and nothing may stand there that does not pass.
"""

import csv
from collections.abc import Iterator
from math import inf, nan
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from valvecare.engineering.catalogue import CATALOGUE, Form, calculate
from valvecare.engineering.catalogue.forms import Input
from valvecare.engineering.errors import OutOfRange, Refusal

LIST = Path(__file__).with_name("legitimate_inputs.csv")
WRONG_UNITS = {
    "pressure_absolute": "bar_g",
    "pressure_gauge": "bar_a",
    "pressure_difference": "bar_a",
    "volume_flow": "kg/s",
    "temperature": "h",
    "temperature_difference": "degC/h",
}


class Case(NamedTuple):
    computation: str
    input: str
    how: str
    inputs: dict[str, Any]

    @property
    def key(self) -> tuple[str, str, str]:
        return self.computation, self.input, self.how


def spoilings(item: Input, value: Any) -> Iterator[tuple[str, Any]]:
    """Twelve for a number; for other shapes those that mean something."""
    yield "null", None
    if item.form in (Form.NUMBER, Form.WHOLE):
        yield from (
            ("not a number", nan),
            ("infinite", inf),
            ("minus infinite", -inf),
            ("text", "seven"),
            ("yes", True),
            ("zero", 0.0),
            ("negative", -value if value else -1.0),
            ("thousandfold", value * 1000 if value else 1000.0),
            ("thousandth", value / 1000 if value else 0.001),
            ("wrong unit", {"value": value, "unit": wrong_unit(item)}),
        )
    elif item.form is Form.TABLE:
        yield from (("text", "seven"), ("number", 7.0), ("empty", []), ("yes", True))
    elif item.form is Form.YES_NO:
        yield from (("text", "seven"), ("number", 1), ("zero", 0))
    elif item.form is Form.CHOICES:
        yield from (("text", "seven"), ("unknown word", ["seven"]), ("number", 7.0))
    else:
        yield from (("number", 7.0), ("empty", ""), ("yes", True), ("not a number", nan))
        if item.form is not Form.TEXT:
            yield "unknown word", "seven"


def wrong_unit(item: Input) -> str:
    return WRONG_UNITS.get(item.unit.kind, "bar_g") if item.unit else "bar"


def cases() -> list[Case]:
    found = []
    for name, entry in CATALOGUE.items():
        whole = entry.example_inputs()
        for item in entry.inputs:
            if item.name not in whole:
                continue  # left out: see `test_left_out_inputs_are_read_when_they_are_given`
            rest = {key: value for key, value in whole.items() if key != item.name}
            found.append(Case(name, item.name, "missing", rest))
            for how, bad in spoilings(item, whole[item.name]):
                found.append(Case(name, item.name, how, {**rest, item.name: bad}))
            for column in item.columns:
                found += column_cases(name, whole, item, column)
    return found


def column_cases(name: str, whole: dict[str, Any], item: Input, column: Input) -> Iterator[Case]:
    """The second row's cell of a table, spoiled the same ways."""
    table = whole[item.name]
    place = min(1, len(table) - 1)
    value = table[place].get(column.name)
    if value is None:
        return
    for how, bad in [("missing", None), *spoilings(column, value)]:
        row = {**table[place], column.name: bad}
        if how == "missing":
            del row[column.name]
        rows = [*table[:place], row, *table[place + 1 :]]
        yield Case(name, f"{item.name}.{column.name}", how, {**whole, item.name: rows})


CASES = cases()
HARD = {"not a number", "infinite", "minus infinite", "text", "yes", "wrong unit", "unknown word"}


def legitimate() -> dict[tuple[str, str, str], str]:
    with LIST.open(encoding="utf-8", newline="") as file:
        return {
            (row["computation"], row["input"], how): row["reason"]
            for row in csv.DictReader(file)
            for how in row["passes"].split("|")
        }


def outcome(case: Case) -> Refusal | None:
    try:
        calculate(case.computation, case.inputs)
    except Refusal as refusal:
        return refusal
    return None


def names_it(case: Case, refusal: Refusal) -> bool:
    """The refusal names the spoiled input, or a relation in which it stands."""
    if not isinstance(refusal, OutOfRange):
        return case.how not in HARD | {"missing", "null"}
    named = refusal.name.partition("[")[0]
    if named == case.input.partition(".")[0]:
        return True
    # one sane number against another: the refusal names the other one of the pair
    return case.how not in HARD | {"missing", "null"} and named in case.inputs


def test_no_spoiled_input_passes_unless_it_is_listed_with_a_reason(capsys):
    allowed = legitimate()
    passed, not_named, refused = set(), [], 0
    for case in CASES:
        refusal = outcome(case)
        if refusal is None:
            passed.add(case.key)
        elif not names_it(case, refusal):
            not_named.append((case.key, str(refusal)))
        else:
            refused += 1
    with capsys.disabled():
        print(  # noqa: T201 - the figure of this test
            f"\nspoiled inputs: {len(CASES)}; refused by name {refused}; legitimate values "
            f"{len(passed)} (listed); silent defaults {len(passed - set(allowed))}"
        )
    assert sorted(passed - set(allowed)) == []
    assert sorted(set(allowed) - passed) == []
    assert not_named == []


def test_the_list_gives_reasons_and_lets_no_nonsense_through():
    for (name, item, how), reason in legitimate().items():
        assert len(reason) > 10
        assert how not in HARD - {"unknown word"}, (name, item, how)
        if how in ("missing", "null"):
            bare, _, column = item.partition(".")
            found = CATALOGUE[name].input(bare)
            if column:
                found = next(part for part in found.columns if part.name == column)
            assert found.if_absent, (name, item)


@pytest.mark.parametrize("name", list(CATALOGUE))
def test_an_input_that_may_be_left_out_says_what_then(name):
    for item in CATALOGUE[name].inputs:
        assert item.required or len(item.if_absent) > 10


def test_an_unknown_extra_input_is_refused_by_name():
    for name, entry in CATALOGUE.items():
        with pytest.raises(OutOfRange) as refusal:
            calculate(name, {**entry.example_inputs(), "efficency": 0.7})
        assert refusal.value.name == "efficency"


@pytest.mark.parametrize(
    ("name", "inputs"),
    [
        ("decide-at-least", ("measured", "standard_uncertainty", "required")),
        ("decide-at-most", ("standard_uncertainty",)),
    ],
)
def test_a_slip_in_a_plain_number_never_turns_into_a_pass(name, inputs):
    """What the list of legitimate inputs says of the decisions without units."""
    slips = [
        case
        for case in CASES
        if case.computation == name and case.input in inputs and case.key in legitimate()
    ]
    assert len(slips) >= len(inputs)
    for case in slips:
        verdict = calculate(name, case.inputs).as_dict()["results"]["verdict"]
        assert verdict in ("fail", "test not able"), case.key


def left_out() -> list[tuple[str, str]]:
    """Inputs the worked example leaves out."""
    return [
        (name, item.name)
        for name, entry in CATALOGUE.items()
        for item in entry.inputs
        if item.name not in entry.example_inputs()
    ]


@pytest.mark.parametrize("bad", [nan, inf, "seven", True, -1e300], ids=str)
@pytest.mark.parametrize(("name", "item"), left_out())
def test_left_out_inputs_are_read_when_they_are_given(name, item, bad):
    with pytest.raises(OutOfRange) as refusal:
        calculate(name, {**CATALOGUE[name].example_inputs(), item: bad})
    assert refusal.value.name == item
