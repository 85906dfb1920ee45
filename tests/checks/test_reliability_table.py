"""Every row of the reliability table, against its published or independently computed value."""

from pathlib import Path

import pytest

from tests.checks.cases import Case, judge, read_cases
from tests.checks.registry import load

CASES = read_cases(Path(__file__).parent / "tables" / "reliability" / "open_cases.csv")


@pytest.fixture(scope="module", autouse=True)
def _adapters() -> None:
    load("tests.checks.adapters_reliability")


def test_the_table_is_complete() -> None:
    assert len({case.id for case in CASES}) == len(CASES) == 44


UNMAPPED = {"R73"}
"""A schedule's optimum: the plan places by hand and by rule, it has no optimiser yet."""


def test_only_the_known_row_has_no_function() -> None:
    assert {case.id for case in CASES if judge(case).status == "unmapped"} == UNMAPPED


@pytest.mark.parametrize(
    "case",
    [case for case in CASES if case.id not in UNMAPPED],
    ids=lambda case: f"{case.id}-{case.computation}",
)
def test_row(case: Case) -> None:
    outcome = judge(case)
    assert outcome.status == "passed", outcome.line
