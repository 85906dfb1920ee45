"""Read a case table and judge its rows."""

import csv
import json
import math
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from tests.checks.registry import Inputs, find
from valvecare.engineering.errors import Refusal

REFUSE = "REFUSE"


@dataclass(frozen=True)
class Case:
    """One row: what to compute from what, and what a published source says it must be."""

    id: str
    computation: str
    inputs: Inputs
    expected: Any
    unit: str
    tolerance: str
    source: str
    published: Any = None
    published_tolerance: str = ""


@dataclass(frozen=True)
class Outcome:
    """`status` is passed, failed or unmapped; `got` is the answer or the refusal in words."""

    case: Case
    status: str
    got: str

    @property
    def line(self) -> str:
        head = f"{self.status:8} {self.case.id} {self.case.computation}"
        return f"{head}: got {self.got}, expected {self.case.expected} ({self.case.tolerance})"


def read_cases(path: Path) -> list[Case]:
    """Read every row of a table with the columns id, computation, inputs, expected, tolerance."""
    with path.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    needed = {"id", "computation", "inputs", "expected", "tolerance"}
    missing = needed - set(rows[0] if rows else {})
    if missing:
        raise ValueError(f"{path} is no case table: no column {', '.join(sorted(missing))}")
    return [
        Case(
            id=row["id"],
            computation=row["computation"],
            inputs=Inputs(json.loads(row["inputs"]), path.parent),
            expected=_value(row["expected"]),
            unit=row.get("unit") or "",
            tolerance=row["tolerance"],
            source=row.get("source") or "",
            published=_value(row["published"]) if row.get("published") else None,
            published_tolerance=row.get("published_tolerance") or "",
        )
        for row in rows
    ]


def judge(case: Case) -> Outcome:
    """Compute one row and compare. Only the library's own refusals count as a refusal."""
    answer = find(case.computation)
    if answer is None:
        return Outcome(case, "unmapped", "no adapter")
    try:
        got = answer(case.inputs)
    except Refusal as refusal:
        return Outcome(
            case, "passed" if case.expected == REFUSE else "failed", f"refusal: {refusal}"
        )
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as crash:
        return Outcome(case, "failed", f"crash: {crash!r}")
    passed = agrees(got, case.expected, case.tolerance) and (
        case.published is None or agrees(got, case.published, case.published_tolerance)
    )
    return Outcome(case, "passed" if passed else "failed", repr(got))


def agrees(got: Any, expected: Any, tolerance: str) -> bool:
    """Compare like with like: numbers within the tolerance, all else exactly.

    Of an object every expected key must be there and agree; a list must have the same length.
    """
    if isinstance(expected, dict):
        return isinstance(got, dict) and all(
            key in got and agrees(got[key], value, tolerance) for key, value in expected.items()
        )
    if isinstance(expected, list):
        return (
            isinstance(got, (list, tuple))
            and len(got) == len(expected)
            and all(agrees(g, e, tolerance) for g, e in zip(got, expected, strict=True))
        )
    if isinstance(expected, bool) or isinstance(got, bool):
        return isinstance(expected, bool) and isinstance(got, bool) and got is expected
    if isinstance(expected, (int, float)):
        if not isinstance(got, (int, float)) or not math.isfinite(got):
            return False
        allowed = allowed_difference(tolerance, float(expected))
        return abs(got - expected) <= allowed + (printed_rounding(expected) if allowed else 0.0)
    return bool(got == expected)


def allowed_difference(tolerance: str, expected: float) -> float:
    """Read a tolerance: `exact`, `0.1 %`, `rel:1e-6`, `abs 0.05`, `abs:0`, `0.01`, `1 N`."""
    text = tolerance.strip()
    if text == "exact":
        return 0.0
    if text.endswith("%"):
        return abs(expected) * float(text[:-1]) / 100.0
    if text.startswith("rel:"):
        return abs(expected) * float(text[4:])
    if text.startswith("abs"):
        return float(text[3:].lstrip(": "))
    return float(text.split()[0])


def printed_rounding(expected: float) -> float:
    """Half a unit of the last digit of a value printed with seven digits or more.

    Several rows print eight digits and ask for nine: the rounding of the print is theirs.
    """
    _, digits, exponent = Decimal(repr(expected)).normalize().as_tuple()
    if len(digits) < 7 or not isinstance(exponent, int):
        return 0.0
    return 0.5 * 10.0**exponent


def _value(text: str) -> Any:
    if text in ("True", "False"):
        return text == "True"
    try:
        return json.loads(text)
    except json.JSONDecodeError:
        return text
