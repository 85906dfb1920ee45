"""Every row of the mechanical table, against its published or independently computed value."""

from pathlib import Path

import pytest

from tests.checks.cases import Case, judge, read_cases
from tests.checks.registry import load

CASES = read_cases(Path(__file__).parent / "tables" / "mechanical" / "open_cases.csv")


@pytest.fixture(scope="module", autouse=True)
def _adapters() -> None:
    load("tests.checks.adapters_mechanical")


def test_the_table_is_complete() -> None:
    assert len({case.id for case in CASES}) == len(CASES) == 94


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.id}-{case.computation}")
def test_row(case: Case) -> None:
    outcome = judge(case)
    assert outcome.status == "passed", outcome.line
