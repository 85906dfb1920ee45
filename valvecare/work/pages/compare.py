"""A step that was overtaken: what the record now holds of it, beside what was typed, per field."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.forms import ChoiceField, Field
from django.http import QueryDict

from valvecare.work.pages.forms import VerbForm, measure_name, ready_name
from valvecare.work.reads import OrderCard
from valvecare.work.rules import GateKind, Measured

MINE, THEIRS = "mine", "theirs"
ASKED = "differs"
"""Name of the hidden fields that say for which fields a choice was asked."""


def choice_name(field: str) -> str:
    return f"choose_{field}"


def _gate(card: OrderCard, kind: str) -> dict[str, Any]:
    line = next((line for line in card.gates if line.kind == kind and line.passed_at), None)
    if line is None:
        return {}
    found = {"words": line.words, "done_by": line.done_by or line.by, **line.recorded}
    if "new_gasket" in found:
        found["new_gasket"] = "yes" if found["new_gasket"] else "no"
    return found


def _finding(card: OrderCard, part: str) -> dict[str, Any]:
    line = next((line for line in card.findings if line.part == part and line.is_judged), None)
    if line is None:
        return {}
    measured = {
        measure_name(one.quantity): _yes_or_number(one.quantity, one.value) for one in line.values
    }
    gauges = [line.gauge, *(one.gauge for one in line.values)]
    return {
        "found": line.found,
        "value": line.value,
        "unit": line.unit,
        "grade": line.grade,
        "gauge": next((gauge for gauge in gauges if gauge), ""),
        "kinds": list(line.kinds),
        "stage": line.stage,
        "decision": line.decision,
        "disagree_because": line.disagree_because,
        "not_checked_because": line.not_checked_because,
        "done_by": line.done_by or line.by,
        **measured,
    }


def _yes_or_number(quantity: str, value: float) -> Any:
    if quantity == Measured.CONTACT_RING.value:
        return "yes" if value else "no"
    return value


def _as_found(card: OrderCard) -> dict[str, Any]:
    if not card.as_found_words:
        return {}
    return {
        "words": card.as_found_words,
        "grade": card.as_found,
        "mode": card.mode,
        "mechanism": card.mechanism,
        "cause": card.cause,
        "detection": card.detection,
    }


def _test(card: OrderCard) -> dict[str, Any]:
    if not card.tests:
        return {}
    last = max(card.tests, key=lambda test: test.done_at)
    share = last.uncertainty_share
    return {
        "method": last.method,
        "bypass_flow_m3_per_h": last.bypass_flow_m3_per_h,
        "uncertainty_percent": None if share is None else share * 100,
        "required_m3_per_h": last.required_m3_per_h,
        "result": last.result,
        "restriction": last.restriction,
        "words": last.words,
    }


def _steps(card: OrderCard, numbers: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for line in card.steps:
        if str(line.number) in numbers.split(",") and line.outcome:
            for name in ("outcome", "because", "value", "gauge"):
                found[f"{name}_{line.number}"] = getattr(line, name)
    return found


def recorded(verb: str, card: OrderCard, given: Mapping[str, Any]) -> dict[str, Any]:
    """What the record holds of this step by the names of its form; empty: nothing yet.

    `given` says which gate or part the form is about.
    """
    if verb == "identity":
        return _gate(card, GateKind.IDENTITY)
    if verb == "gates":
        return _gate(card, str(given.get("gate", "")))
    if verb == "findings":
        return _finding(card, str(given.get("part", "")))
    if verb == "as-found":
        return _as_found(card)
    if verb == "tests":
        return _test(card)
    if verb == "steps":
        return _steps(card, str(given.get("numbers", "")))
    if verb == "assign":
        return {"username": card.assigned_to or ""}
    if verb == "ready":
        proofs = card.readiness
        return {ready_name(item): proofs.get(item.value, "") for item in card.ready_items}
    return {}


def seen_now(verb: str, card: OrderCard, given: Mapping[str, Any]) -> str:
    """Check sum of what the record holds of a step, kept in its form."""
    text = json.dumps(recorded(verb, card, given), sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Pair:
    """One field both ways: as this person typed it, and as the record has it."""

    name: str
    label: str
    mine: str
    theirs: str
    side: str
    """The side chosen already, or empty."""


def _sent(value: Any) -> list[str]:
    """A value as a form sends it."""
    if value is None or value in ("", []):
        return []
    if isinstance(value, (list, tuple)):
        return [str(one) for one in value]
    if isinstance(value, bool):
        return ["yes" if value else "no"]
    return [f"{value:.9g}" if isinstance(value, float) else str(value)]


def _words(field: Field, values: list[str]) -> str:
    """What a person reads of the values of a field."""
    choices: Any = field.choices if isinstance(field, ChoiceField) else ()
    known = {str(value): str(words) for value, words in choices}
    return ", ".join(known.get(value, value) for value in values)


def pairs_of(verb: str, card: OrderCard, form: VerbForm, *, asked: bool = False) -> list[Pair]:
    """The fields in which this form and the record differ, where the record has changed.

    Empty when what the record holds of this step is still what the person saw, unless they were
    `asked` already.
    """
    theirs = recorded(verb, card, form.data)
    is_seen = form.data.get("seen") == seen_now(verb, card, form.data)
    if not theirs or (is_seen and not asked):
        return []
    cleaned = getattr(form, "cleaned_data", {})
    pairs = []
    for name, field in form.fields.items():
        if name not in theirs:
            continue
        mine = _sent(cleaned.get(name))
        now = _sent(theirs[name])
        if name == "done_by" and not mine:
            continue
        if sorted(mine) != sorted(now):
            label, side = str(field.label or name), form.data.get(choice_name(name), "")
            pairs.append(Pair(name, label, _words(field, mine), _words(field, now), side))
    return pairs


def settle(data: QueryDict, verb: str, card: OrderCard) -> tuple[QueryDict, list[str], bool]:
    """The form with each choice carried out, the fields still to choose, and whether all is theirs.

    'Theirs' puts the record's value in the place of what was typed; 'mine' leaves it.
    """
    asked = data.getlist(ASKED)
    if not asked:
        return data, [], False
    now = recorded(verb, card, data)
    settled = data.copy()
    chosen = {name: data.get(choice_name(name), "") for name in asked}
    for name, side in chosen.items():
        if side == THEIRS:
            settled.setlist(name, _sent(now.get(name)))
    left = [name for name, side in chosen.items() if side not in (MINE, THEIRS)]
    return settled, left, all(side == THEIRS for side in chosen.values())
