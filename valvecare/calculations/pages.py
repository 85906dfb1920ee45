"""Calculations: the list, and a form that answers with its whole working."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_safe

from valvecare.engineering.catalogue import (
    CATALOGUE,
    Calculation,
    Computation,
    Form,
    Group,
    calculate,
)
from valvecare.engineering.catalogue.answer import Given
from valvecare.engineering.catalogue.forms import Input, shown_unit
from valvecare.engineering.catalogue.typed import NONE_SEEN, text_of, value_of
from valvecare.engineering.cautions import caution
from valvecare.engineering.errors import OutOfRange, Refusal
from valvecare.web.words import figure

UNIT = ".unit"
"""Ending of the form field that says another unit."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form: the input, what was typed, and why it was refused."""

    item: Input
    texts: list[str]
    unit: str
    wrong: str

    @property
    def text(self) -> str:
        return self.texts[-1] if self.texts else ""

    @property
    def units(self) -> list[tuple[str, str]]:
        return [(code, shown_unit(code) or "parts of one") for code in self.item.unit.codes]  # type: ignore[union-attr]

    @property
    def none_word(self) -> str:
        return NONE_SEEN

    @property
    def line(self) -> str:
        """What a line of a table holds."""
        return "; ".join(
            f"{column.label.lower()} {column.unit.shown if column.unit else ''}".strip()
            for column in self.item.columns
        )

    @property
    def described_by(self) -> str:
        ids = [f"help-{self.item.name}"] + [f"wrong-{self.item.name}"] * bool(self.wrong)
        return " ".join(ids)


@dataclass(frozen=True, slots=True)
class Shown:
    """One figure as printed: text, or a table of rows."""

    label: str
    text: str
    unit: str = ""
    how: str = ""
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def _word(value: Any) -> str:
    if value is None:
        return "cannot say"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return figure(value)
    if isinstance(value, dict):
        return ", ".join(f"{key.replace('_', ' ')}: {_word(part)}" for key, part in value.items())
    if isinstance(value, list):
        return ("; " if value and isinstance(value[0], dict) else ", ").join(map(_word, value))
    return str(value)


def _shown(label: str, value: Any, unit: str = "", how: str = "") -> Shown:
    if isinstance(value, list) and value and all(isinstance(row, dict) for row in value):
        head = tuple(name.replace("_", " ") for name in value[0])
        rows = tuple(tuple(_word(cell) for cell in row.values()) for row in value)
        return Shown(label, "", unit, how, head, rows)
    return Shown(label, _word(value), unit if value is not None else "", how)


@dataclass(frozen=True, slots=True)
class Answer:
    """A calculation as the page prints it."""

    results: list[Shown]
    uncertainty: list[Shown]
    inputs: list[Shown]
    steps: list[Shown]
    done: Calculation


def _answer(done: Calculation) -> Answer:
    return Answer(
        results=[_shown(r.label, r.value, r.unit) for r in done.results],
        uncertainty=[_shown(r.label, r.value, r.unit) for r in done.uncertainty],
        inputs=[_given(done.computation, given) for given in done.inputs],
        steps=[_shown(s.name, s.value, s.unit, s.how) for s in done.steps],
        done=done,
    )


def _given(entry: Computation, given: Given) -> Shown:
    columns = entry.input(given.name).columns
    if not columns:
        return _shown(given.label, given.value, given.unit, _inside(given))
    head = tuple(
        ", ".join(filter(None, (column.label, column.unit.shown if column.unit else "")))
        for column in columns
    )
    rows = tuple(tuple(_cell(row.get(column.name)) for column in columns) for row in given.value)
    return Shown(given.label, "", head=head, rows=rows)


def _cell(value: Any) -> str:
    """A cell as it was given; a measure with another unit says it."""
    if isinstance(value, dict):
        return f"{_word(value['value'])}\u00a0{shown_unit(value['unit'])}"
    return "" if value is None else _word(value)


def _inside(given: Given) -> str:
    """The value as the formula used it, where that differs from what was typed."""
    if not isinstance(given.si_value, float) or given.si_unit in ("", given.unit):
        return ""
    return f"{figure(given.si_value)}\u00a0{given.si_unit}"


def _fields(entry: Computation, typed: QueryDict, refusal: Refusal | None) -> list[Field]:
    named = refusal.name.partition("[")[0] if isinstance(refusal, OutOfRange) else ""
    return [
        Field(
            item,
            typed.getlist(item.name),
            typed.get(item.name + UNIT) or (item.unit.code if item.unit else ""),
            _said(entry, refusal) if item.name == named else "",
        )
        for item in entry.inputs
    ]


def _said(entry: Computation, refusal: Refusal | None) -> str:
    """The refusal with the labels of the form for the names of the inputs."""
    words = str(refusal)
    for item in sorted(entry.inputs, key=lambda item: len(item.name), reverse=True):
        words = re.sub(rf"\b{re.escape(item.name)}\b", item.label, words)
    return words


def _values(entry: Computation, typed: QueryDict) -> dict[str, Any]:
    values = {
        item.name: value_of(item, typed.getlist(item.name), typed.get(item.name + UNIT, ""))
        for item in entry.inputs
    }
    return {name: value for name, value in values.items() if value is not None}


def example_query(entry: Computation) -> str:
    """The query string that fills the form with the worked example."""
    query = QueryDict(mutable=True)
    for item in entry.inputs:
        if item.form is Form.CHOICES:
            query.setlist(item.name, item.example or [NONE_SEEN])
        elif item.example is not None:
            query[item.name] = text_of(item, item.example)
    return query.urlencode()


def _strange(entry: Computation, names: Iterable[str]) -> list[str]:
    known = {item.name for item in entry.inputs}
    known |= {name + UNIT for name in known} | {"csrfmiddlewaretoken"}
    return sorted(set(names) - known)


@require_safe
@login_required
def calculations(request: HttpRequest) -> HttpResponse:
    """Every calculation, by group."""
    groups = [
        (group.value, list(entries))
        for group, entries in groupby(
            sorted(CATALOGUE.values(), key=lambda entry: list(Group).index(entry.group)),
            key=lambda entry: entry.group,
        )
    ]
    return render(
        request,
        "valvecare/calculations/list.html",
        {"groups": groups, "total": len(CATALOGUE)},
    )


@require_http_methods(["GET", "HEAD", "POST"])
@login_required
def calculation(request: HttpRequest, name: str) -> HttpResponse:
    """The form, filled from the query string; a POST answers with the working below it."""
    entry = CATALOGUE.get(name)
    if entry is None:
        raise Http404(f"There is no calculation '{name}'.")
    typed = request.POST if request.method == "POST" else request.GET
    refusal: Refusal | None = None
    answer = None
    if strange := _strange(entry, typed):
        refusal = OutOfRange(strange[0], "given", "an input of this calculation")
    elif request.method == "POST":
        try:
            answer = _answer(calculate(name, _values(entry, typed)))
        except Refusal as error:
            refusal = error
    fields = _fields(entry, typed, refusal)
    context = {
        "entry": entry,
        "fields": fields,
        "answer": answer,
        "refusal": refusal,
        "refused": next((field for field in fields if field.wrong), None),
        "cautions": [caution(id) for id in entry.cautions],
        "example_query": example_query(entry),
    }
    status = 200 if refusal is None else 400 if strange else 422
    return render(request, "valvecare/calculations/one.html", context, status=status)


urls = [
    path("calculations/", calculations, name="calculations"),
    path("calculations/<slug:name>/", calculation, name="calculation"),
]
