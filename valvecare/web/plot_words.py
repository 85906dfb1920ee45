"""What a plot is made of, and the same in words: key, table of values, description."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe
from numpy.typing import ArrayLike

from valvecare.web.plot_scales import NumberAxis, TimeAxis, points
from valvecare.web.words import quantity

TABLE_ROWS = 60


@dataclass(frozen=True, slots=True)
class Line:
    """One series. `errors`: half-width of the error bar of each point, in the unit of y."""

    label: str
    xs: ArrayLike
    ys: ArrayLike
    kind: Literal["line", "steps", "points"] = "line"
    errors: ArrayLike | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    label: str
    value: float


@dataclass(frozen=True, slots=True)
class Marker:
    """Something that happened at x, numbered in the drawing and named in the key."""

    x: float
    label: str


@dataclass(frozen=True, slots=True)
class Band:
    label: str
    xs: ArrayLike
    low: ArrayLike
    high: ArrayLike


def key_of(
    lines: Sequence[Line],
    bands: Sequence[Band],
    markers: Sequence[Marker],
    axis: NumberAxis | TimeAxis,
) -> SafeString:
    """The key below the drawing: a sample of each line, the numbered markers with their day."""
    parts = []
    for number, line in enumerate(lines, 1):
        sample = (
            f'<circle class="dot line-{number}" cx="14" cy="7" r="5"/>'
            if line.kind == "points"
            else f'<path class="line line-{number}" d="M0 7h28"/>'
        )
        bars = ", bar: uncertainty" if line.errors is not None else ""
        parts.append((sample, f"{line.label}{bars}"))
    parts += [('<path class="band-area" d="M0 1h28v12H0z"/>', band.label) for band in bands]
    items = [
        f'<li><svg class="sample" viewBox="0 0 28 14" aria-hidden="true">{sample}</svg>'
        f"{escape(label)}</li>"
        for sample, label in parts
    ]
    items += [
        f'<li><span class="flag-key">{number}</span>{escape(marker.label)}, '
        f"{escape(axis.day(marker.x) if isinstance(axis, TimeAxis) else axis.words(marker.x))}</li>"
        for number, marker in enumerate(markers, 1)
    ]
    return mark_safe(f'<ul class="plot-key">{"".join(items)}</ul>')  # noqa: S308 escaped above


def _rows(line: Line, axis: NumberAxis | TimeAxis, unit: str) -> tuple[list[str], list[list[str]]]:
    """Head and rows of one series: every value, or lowest, highest and last of equal slices."""
    x, y = points(line.xs, line.ys)
    known = np.isfinite(y)
    if x.size <= TABLE_ROWS:
        half = None if line.errors is None else np.asarray(line.errors, dtype=np.float64)
        head = [axis.label, line.label] + ([] if half is None else ["Uncertainty"])
        rows = []
        for index in range(x.size):
            value = quantity(float(y[index]), unit) if known[index] else "no value"
            row = [axis.words(float(x[index])), value]
            if half is not None:
                row.append(f"±\u00a0{quantity(float(half[index]), unit)}")
            rows.append(row)
        return head, rows
    rows = []
    for part in np.array_split(np.arange(x.size), TABLE_ROWS):
        held = y[part][known[part]]
        values = (
            [quantity(float(v), unit) for v in (held.min(), held.max(), held[-1])]
            if held.size
            else ["no value"] * 3
        )
        rows.append([axis.words(float(x[part[0]])), axis.words(float(x[part[-1]])), *values])
    return ["From", "To", "Lowest", "Highest", "Last"], rows


def tables_of(lines: Sequence[Line], axis: NumberAxis | TimeAxis, unit: str) -> SafeString:
    """One table per series, folded away until opened."""
    tables = []
    for line in lines:
        head, rows = _rows(line, axis, unit)
        heads = "".join(f'<th scope="col">{escape(word)}</th>' for word in head)
        body = "".join(
            "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
        )
        tables.append(
            '<div class="scroll" tabindex="0" role="group" '
            f'aria-label="{escape(line.label)}, values">'
            f"<table><caption>{escape(line.label)}</caption><thead><tr>{heads}</tr></thead>"
            f"<tbody>{body}</tbody></table></div>"
        )
    return mark_safe(  # noqa: S308 escaped above
        f'<details class="plot-values"><summary>Values as a table</summary>{"".join(tables)}'
        "</details>"
    )


def description_of(
    lines: Sequence[Line], limits: Sequence[Limit], axis: NumberAxis | TimeAxis, unit: str
) -> str:
    """The drawing in sentences, for those who cannot see it."""
    sentences = []
    for line in lines:
        x, y = points(line.xs, line.ys)
        known = np.isfinite(y)
        if not known.any():
            sentences.append(f"{line.label}: no values.")
            continue
        held = y[known]
        words = axis.words
        sentences.append(
            f"{line.label}: {int(known.sum())} values from {words(float(x[known][0]))} to "
            f"{words(float(x[known][-1]))}, lowest {quantity(float(held.min()), unit)}, highest "
            f"{quantity(float(held.max()), unit)}, last {quantity(float(held[-1]), unit)}."
        )
    sentences += [f"{limit.label}: {quantity(limit.value, unit)}." for limit in limits]
    return " ".join(sentences)
