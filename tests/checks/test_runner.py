"""The runner itself: a wrong answer, a crash, a missing adapter and a refusal are told apart."""

from pathlib import Path

import pytest

from tests.checks.__main__ import main
from tests.checks.cases import agrees, allowed_difference, judge, read_cases
from tests.checks.registry import Inputs, adapter
from valvecare.engineering.errors import OutOfRange

HEAD = "id,computation,inputs,expected,unit,tolerance\n"


@adapter("runner_double")
def double(inputs: Inputs) -> float:
    if inputs["x"] is None:
        raise OutOfRange("x", None, "given")
    return 2.0 * inputs.number("x")


def table(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "cases.csv"
    path.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("line", "status"),
    [
        ('A1,runner_double,"{""x"": 2}",4.0,-,exact', "passed"),
        ('A2,runner_double,"{""x"": 2}",4.1,-,1 %', "failed"),
        ('A3,runner_double,"{""x"": null}",REFUSE,no x,exact', "passed"),
        ('A4,runner_double,"{""x"": null}",4.0,-,exact', "failed"),
        ('A5,runner_double,"{""x"": 2}",REFUSE,no x,exact', "failed"),
        ('A6,runner_double,"{""x"": ""two""}",REFUSE,no x,exact', "failed"),
        ('A7,runner_nothing,"{}",1,-,exact', "unmapped"),
    ],
)
def test_each_kind_of_row_is_told_apart(tmp_path: Path, line: str, status: str) -> None:
    (case,) = read_cases(table(tmp_path, line))
    assert judge(case).status == status


@pytest.mark.parametrize(
    ("tolerance", "difference"),
    [
        ("exact", 0.0),
        ("0.1 %", 0.2),
        ("rel:1e-3", 0.2),
        ("abs 0.05", 0.05),
        ("abs:0", 0.0),
        ("0.01", 0.01),
        ("1 ft*lbf", 1.0),
        ("0", 0.0),
    ],
)
def test_tolerances_are_read(tolerance: str, difference: float) -> None:
    assert allowed_difference(tolerance, -200.0) == pytest.approx(difference)


@pytest.mark.parametrize(
    ("got", "expected", "same"),
    [
        ({"a": 1.0, "b": 2.0}, {"a": 1.0}, True),
        ({"b": 2.0}, {"a": 1.0}, False),
        ([1, 2, 3], [1, 2], False),
        ((1, 2.0000001), [1, 2], True),
        (["REUSE", None], ["REUSE", None], True),
        (True, True, True),
        (1, True, False),
        (float("nan"), 1.0, False),
        ("pass", "fail", False),
    ],
)
def test_like_is_compared_with_like(got: object, expected: object, same: bool) -> None:
    assert agrees(got, expected, "rel:1e-6") is same


@pytest.mark.parametrize(
    ("got", "expected", "same"),
    [
        (610 / 28, 21.785714, True),
        (21.7857, 21.785714, False),
        (2.1, 2.0, False),
        (1.4999, 1, False),
        (8 / 15, 0.53333333, True),
    ],
)
def test_the_rounding_of_a_long_print_is_allowed_for(
    got: float, expected: float, same: bool
) -> None:
    assert agrees(got, expected, "rel:1e-9") is same


def test_published_value_is_checked_too(tmp_path: Path) -> None:
    path = tmp_path / "cases.csv"
    path.write_text(
        "id,computation,inputs,expected,tolerance,published,published_tolerance\n"
        'B1,runner_double,"{""x"": 2}",4.0,exact,4.5,rel:1e-2\n',
        encoding="utf-8",
    )
    (case,) = read_cases(path)
    assert judge(case).status == "failed"


def test_the_command_counts_and_fails(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = 'C1,runner_double,"{""x"": 2}",4.0,-,exact'
    bad = 'C2,runner_double,"{""x"": 2}",5.0,-,exact'
    unknown = 'C3,runner_nothing,"{}",1,-,exact'
    here = ["--adapters", __name__]
    assert main([str(table(tmp_path, good, unknown)), *here]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "1 passed, 0 failed, 1 unmapped"
    assert main([str(table(tmp_path, good, bad)), *here]) == 1
    out = capsys.readouterr().out.splitlines()
    assert out[-1] == "1 passed, 1 failed, 0 unmapped"
    assert out[1].startswith("failed   C2 runner_double: got 4.0, expected 5.0")


def test_a_file_without_the_columns_is_no_table(tmp_path: Path) -> None:
    path = tmp_path / "other.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(ValueError, match="no case table"):
        read_cases(path)
