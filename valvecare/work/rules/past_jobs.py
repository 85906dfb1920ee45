"""A job done before this system: read from a row of an older record, nothing guessed."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from valvecare.core.errors import Reason, Refused
from valvecare.work.rules.words import (
    FAILURE_MODES,
    AsFound,
    OrderKind,
    PartDecision,
    PartName,
)

OLD_PART_WORDS = {
    "all": PartName.ALL,
    "guide": PartName.DISC_GUIDE,
    "sleeve": PartName.BYPASS_SLEEVE,
    "sleeve seal ring": PartName.SEAL_RING,
    "bypass seat": PartName.BYPASS_TRIM,
}
"""Words of older records for parts of the closed list; the old word stays in the finding."""

_MEASURE = re.compile(r"^([+-]?\d{1,6}(?:\.\d{1,4})?) (\D.{0,38})$")
_FLOW = re.compile(
    r"^bypass (\d+(?:\.\d+)?) m3/h \+-(\d+(?:\.\d+)?) % needed (\d+(?:\.\d+)?)$", re.ASCII
)


@dataclass(frozen=True)
class PastFlow:
    bypass_flow_m3_per_h: float
    uncertainty_share: float
    required_m3_per_h: float


@dataclass(frozen=True)
class PastFinding:
    part: PartName
    found: str
    value: float | None
    unit: str
    decision: PartDecision | None
    not_checked_because: str


@dataclass(frozen=True)
class PastJob:
    """One finished job: what was done and when; every other fact only where it is known."""

    kind: OrderKind
    done_on: date
    as_found: AsFound | None = None
    mode: str = ""
    run_hours_since: float | None = None
    starts_since: float | None = None
    finding: PastFinding | None = None
    passed: bool | None = None
    flow: PastFlow | None = None
    test_words: str = ""
    restriction: str = ""
    remarks: str = ""
    crew: str = ""
    seal_lot: str = ""


def _refuse(column: str, value: str, allowed: str) -> Refused:
    return Refused(
        Reason(
            "past_job_unreadable",
            f"{column}: {value!r} is not understood.",
            f"Use {allowed}.",
            {"column": column, "value": value},
        )
    )


def _number(row: Mapping[str, str], column: str) -> float | None:
    text = row.get(column, "").strip()
    if not text:
        return None
    if not re.fullmatch(r"\d{1,9}(\.\d{1,4})?", text, re.ASCII):
        raise _refuse(column, text, "a number of at least 0")
    return float(text)


def _finding(row: Mapping[str, str]) -> PastFinding | None:
    word = row.get("part", "").strip()
    if not word:
        return None
    known = {part.value for part in PartName}
    part = OLD_PART_WORDS.get(word) or (PartName(word) if word in known else None)
    if part is None:
        raise _refuse("part", word, f"one of {', '.join(sorted(known))}")
    found = row.get("finding", "").strip()
    measure = row.get("measure", "").strip()
    value, unit = None, ""
    match = _MEASURE.match(measure)
    if match:
        value, unit = float(match.group(1)), match.group(2)
    elif measure and not _FLOW.match(measure):
        found = f"{found}; {measure}" if found else measure
    if part.value != word and part is not PartName.ALL:
        found = f"{word}: {found}" if found else word
    decision_words = row.get("decision", "").strip()
    decision = next((word for word in PartDecision if decision_words.startswith(word.value)), None)
    if decision_words and decision is None:
        raise _refuse("decision", decision_words, f"one of {', '.join(PartDecision)}")
    if decision is not None and decision_words != decision.value:
        found = f"{found}; {decision_words}"
    if decision is None:
        return PastFinding(part, "", None, "", None, found or "no decision in the record")
    return PastFinding(part, found or "nothing noted", value, unit, decision, "")


def past_job_from_row(row: Mapping[str, str]) -> PastJob:
    """Read one row: date, task, hours_since, starts_since, as_found, mode, part, finding,
    measure, decision, test_result, note. Raises `Refused` naming the column and the value.
    """
    task = row.get("task", "").strip()
    if task not in {kind.value for kind in OrderKind}:
        raise _refuse("task", task, f"one of {', '.join(OrderKind)}")
    try:
        done_on = date.fromisoformat(row.get("date", "").strip())
    except ValueError:
        raise _refuse("date", row.get("date", ""), "a date like 2025-09-23") from None
    as_found = row.get("as_found", "").strip()
    if as_found and as_found not in {grade.value for grade in AsFound}:
        raise _refuse("as_found", as_found, f"one of {', '.join(AsFound)}")
    mode = row.get("mode", "").strip()
    if mode and mode not in FAILURE_MODES:
        raise _refuse("mode", mode, f"one of {', '.join(FAILURE_MODES)}")
    result = row.get("test_result", "").strip()
    word, _, rest = result.partition(" ")
    if result and word not in ("pass", "fail"):
        raise _refuse("test_result", result, "'pass' or 'fail' and words")
    flow = _FLOW.match(row.get("measure", "").strip())
    note = row.get("note", "").strip()
    is_restriction = note.startswith("restriction set: ")
    return PastJob(
        kind=OrderKind(task),
        done_on=done_on,
        as_found=AsFound(as_found) if as_found else None,
        mode=mode,
        run_hours_since=_number(row, "hours_since"),
        starts_since=_number(row, "starts_since"),
        finding=_finding(row),
        passed=word == "pass" if result else None,
        flow=PastFlow(float(flow[1]), float(flow[2]) / 100, float(flow[3])) if flow else None,
        test_words=rest,
        restriction=note.removeprefix("restriction set: ") if is_restriction else "",
        remarks=note,
    )
