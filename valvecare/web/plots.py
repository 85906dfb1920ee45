"""Plots as SVG, drawn on the server: no script, no outside request, legible on a phone and paper.

How to use it, in a page::

    from valvecare.web.plots import Band, Limit, Line, Marker, TimeAxis, draw

    figure = draw(
        "bypass-temperature-17",                       # unique on the page, [a-z0-9-]
        title="Bypass line temperature, NH-FW-1P",
        unit="°C",
        axis=TimeAxis(ZoneInfo(site.time_zone)),       # or NumberAxis("Main flow", "m³/h")
        lines=[Line("Measured", xs, ys)],              # xs: seconds since 1970 UTC (or numbers)
        limits=[Limit("Limit of the policy", 60.0)],
        markers=[Marker(at_s, "Strip-down")],
        bands=[Band("80 % of forecasts", xs, low, high)],
    )

and `{{ figure }}` in the template. `draw` returns a whole `<figure>`: the drawing (role img, with
title and description), a key, and the values as a table to open. `Line(kind="points", errors=…)`
draws measured points with error bars; `Line(kind="steps")` a counter or a state. NaN is a gap and
is drawn as one. Long series are thinned so that every lowest and highest value stays.

Everything is a pure function of its numbers.
Colours come from the style sheet by class; the strict content security policy holds.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from django.utils.html import escape, format_html
from django.utils.safestring import SafeString, mark_safe

from valvecare.engineering.errors import OutOfRange
from valvecare.web.plot_scales import Floats, NumberAxis, TimeAxis, points, round_ticks, thin
from valvecare.web.plot_words import (
    Band,
    Limit,
    Line,
    Marker,
    description_of,
    key_of,
    tables_of,
)
from valvecare.web.words import figure, quantity

__all__ = ["Band", "Limit", "Line", "Marker", "NumberAxis", "TimeAxis", "draw"]

WIDTH = 1000  # inner units; the drawing stretches to the width it gets, text does not
COLUMNS = 240
TOP, BOTTOM, LABELS = 26, 30, 14


@dataclass(frozen=True, slots=True)
class _Frame:
    """From data to drawing: x in per cent or inner units, y in pixels from the top."""

    x_low: float
    x_high: float
    y_low: float
    y_high: float
    height: int

    def share(self, x: float) -> float:
        return (x - self.x_low) / (self.x_high - self.x_low)

    def left(self, x: float) -> str:
        return f"{self.share(x) * 100:.2f}%"

    def across(self, x: float) -> str:
        return f"{self.share(x) * WIDTH:.1f}"

    def down(self, y: float) -> str:
        inner = self.height - TOP - BOTTOM
        return f"{TOP + (self.y_high - y) / (self.y_high - self.y_low) * inner:.1f}"


def _widen(low: float, high: float, by: float) -> tuple[float, float]:
    if high > low:
        extra = (high - low) * by
        return low - extra, high + extra
    extra = abs(low) * 0.1 or 1.0
    return low - extra, high + extra


def _frame(
    lines: Sequence[Line],
    limits: Sequence[Limit],
    markers: Sequence[Marker],
    bands: Sequence[Band],
    axis: NumberAxis | TimeAxis,
    height: int,
    from_zero: bool,
) -> _Frame | None:
    xs: list[Floats] = []
    ys: list[Floats] = []
    for line in lines:
        x, y = points(line.xs, line.ys)
        spread = np.zeros_like(y)
        if line.errors is not None:
            spread = np.asarray(line.errors, dtype=np.float64)
            if spread.shape != y.shape or (spread < 0).any():
                raise OutOfRange("errors", float("nan"), "one half-width of at least 0 per point")
        xs.append(x)
        ys += [y - spread, y + spread]
    if not any(np.isfinite(y).any() for y in ys):
        return None
    for band in bands:
        for edge in (band.low, band.high):
            x, y = points(band.xs, edge)
            xs.append(x)
            ys.append(y)
    ys.append(np.array([limit.value for limit in limits], dtype=np.float64))
    xs.append(np.array([marker.x for marker in markers], dtype=np.float64))
    every_x, every_y = np.concatenate(xs), np.concatenate(ys)
    if not np.isfinite(every_x).all() or np.isinf(every_y).any():
        raise OutOfRange("markers and limits", float("nan"), "finite")
    x_low, x_high = float(every_x.min()), float(every_x.max())
    if x_high == x_low:
        x_low, x_high = x_low - axis.room(x_low), x_high + axis.room(x_high)
    elif any(line.kind == "points" for line in lines):
        x_low, x_high = _widen(x_low, x_high, 0.04)
    low, high = float(np.nanmin(every_y)), float(np.nanmax(every_y))
    y_low, y_high = _widen(low, high, 0.06)
    if from_zero or (low >= 0 > y_low):
        y_low = min(0.0, low)
    return _Frame(x_low, x_high, y_low, y_high, height)


def _scale(frame: _Frame) -> str:
    """The numbers along the left side, in a column of their own that does not stretch."""
    ticks = "".join(
        f'<text class="tick" x="100%" dx="-8" y="{float(frame.down(value)) + 5:.1f}" '
        f'text-anchor="end">{escape(figure(value))}</text>'
        for value in round_ticks(frame.y_low, frame.y_high, 5)
    )
    return f'<svg width="100%" height="{frame.height}" aria-hidden="true">{ticks}</svg>'


def _grid(frame: _Frame, axis: NumberAxis | TimeAxis) -> list[str]:
    parts = []
    foot = frame.height - BOTTOM
    for value in round_ticks(frame.y_low, frame.y_high, 5):
        y = frame.down(value)
        parts.append(f'<line class="grid" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
    parts.append(f'<line class="base" x1="0" x2="100%" y1="{foot}" y2="{foot}"/>')
    for at, words in axis.ticks(frame.x_low, frame.x_high, 5):
        share = frame.share(at)
        anchor = "start" if share < 0.07 else "end" if share > 0.93 else "middle"
        left = frame.left(at)
        parts.append(f'<line class="base" x1="{left}" x2="{left}" y1="{foot}" y2="{foot + 6}"/>')
        parts.append(
            f'<text class="tick" x="{left}" y="{foot + 6 + LABELS}" '
            f'text-anchor="{anchor}">{escape(words)}</text>'
        )
    return parts


def _runs(x: Floats, y: Floats) -> list[tuple[Floats, Floats]]:
    """Parts without a gap."""
    known = np.isfinite(y)
    cuts = np.flatnonzero(np.diff(known.astype(np.int8))) + 1
    return [
        (part_x, part_y)
        for part_x, part_y in zip(np.split(x, cuts), np.split(y, cuts), strict=True)
        if part_y.size and np.isfinite(part_y[0])
    ]


def _path(frame: _Frame, x: Floats, y: Floats, steps: bool) -> str:
    pairs = [(frame.across(float(a)), frame.down(float(b))) for a, b in zip(x, y, strict=True)]
    text = [f"M{pairs[0][0]} {pairs[0][1]}"]
    for across, down in pairs[1:]:
        text.append(f"H{across}V{down}" if steps else f"L{across} {down}")
    if len(pairs) == 1:
        text.append("h0.1")
    return "".join(text)


def _strokes(frame: _Frame, lines: Sequence[Line], bands: Sequence[Band]) -> list[str]:
    parts = []
    for band in bands:
        x, low = points(band.xs, band.low)
        _, high = points(band.xs, band.high)
        known = np.isfinite(low) & np.isfinite(high)
        x, low, high = x[known], low[known], high[known]
        if x.size > 1:
            there = _path(frame, x, high, False)
            back = _path(frame, x[::-1], low[::-1], False)
            parts.append(f'<path class="band-area" d="{there}L{back[1:]}Z"/>')
    for number, line in enumerate(lines, 1):
        if line.kind == "points":
            continue
        x, y = thin(line.xs, line.ys, COLUMNS)
        for part_x, part_y in _runs(x, y):
            path = _path(frame, part_x, part_y, line.kind == "steps")
            parts.append(
                f'<path class="line line-{number}" vector-effect="non-scaling-stroke" d="{path}"/>'
            )
    return parts


def _dots(frame: _Frame, lines: Sequence[Line]) -> list[str]:
    parts = []
    for number, line in enumerate(lines, 1):
        if line.kind != "points":
            continue
        x, y = points(line.xs, line.ys)
        half = np.zeros_like(y) if line.errors is None else np.asarray(line.errors, dtype=float)
        for at, value, spread in zip(x, y, half, strict=True):
            if not isfinite(value):
                continue
            left = frame.left(float(at))
            if spread > 0:
                top, foot = frame.down(float(value + spread)), frame.down(float(value - spread))
                parts.append(
                    f'<line class="error line-{number}" x1="{left}" x2="{left}" '
                    f'y1="{top}" y2="{foot}"/>'
                )
            parts.append(
                f'<circle class="dot line-{number}" cx="{left}" cy="{frame.down(float(value))}" '
                'r="5"/>'
            )
    return parts


def _rules(
    frame: _Frame, limits: Sequence[Limit], markers: Sequence[Marker], unit: str
) -> list[str]:
    parts = []
    for limit in limits:
        y = frame.down(limit.value)
        words = escape(f"{limit.label} {quantity(limit.value, unit)}")
        parts.append(f'<line class="limit" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
        parts.append(
            f'<text class="limit-label" x="99%" y="{float(y) - 5:.1f}" '
            f'text-anchor="end">{words}</text>'
        )
    for number, marker in enumerate(markers, 1):
        left = frame.left(marker.x)
        parts.append(
            f'<line class="marker" x1="{left}" x2="{left}" y1="{TOP - 6}" '
            f'y2="{frame.height - BOTTOM}"/><circle class="flag" cx="{left}" cy="11" r="10"/>'
            f'<text class="flag-number" x="{left}" y="15.5" text-anchor="middle">{number}</text>'
        )
    return parts


def draw(
    key: str,
    *,
    title: str,
    unit: str,
    axis: NumberAxis | TimeAxis,
    lines: Sequence[Line],
    limits: Sequence[Limit] = (),
    markers: Sequence[Marker] = (),
    bands: Sequence[Band] = (),
    height: int = 300,
    from_zero: bool = False,
) -> SafeString:
    """A whole `<figure>`: drawing, key, values as a table.

    Parameters
    ----------
    key : unique on the page, lower-case letters, digits and hyphens
    title : what is drawn, with the place; also the accessible name
    unit : unit of y, as written beside a number
    axis : what runs along the bottom
    lines, limits, markers, bands : numbers in `unit`; markers are numbered by time
    height : pixels, at least 120
    from_zero : start the vertical axis at 0

    Returns
    -------
    SafeString; without any finite value a sentence that says so instead of an empty drawing.

    Raises
    ------
    OutOfRange : x not ascending or not finite, infinite y, errors below 0, a bad key or height
    """
    if not re.fullmatch(r"[a-z0-9-]+", key):
        raise OutOfRange("key", float("nan"), "lower-case letters, digits and hyphens", key)
    if height < 120:
        raise OutOfRange("height", height, "at least 120")
    markers = sorted(markers, key=lambda marker: marker.x)
    frame = _frame(lines, limits, markers, bands, axis, height, from_zero)
    if frame is None:
        return format_html(
            '<figure class="plot"><figcaption>{}</figcaption>'
            '<p class="empty">No values to draw yet.</p></figure>',
            title,
        )
    back = "".join(_grid(frame, axis))
    strokes = "".join(_strokes(frame, lines, bands))
    front = "".join(_rules(frame, limits, markers, unit)) + "".join(_dots(frame, lines))
    axis_words = (
        f"{axis.label}, {axis.unit}" if isinstance(axis, NumberAxis) and axis.unit else axis.label
    )
    return format_html(
        '<figure class="plot"><figcaption>{title} <span class="plot-unit">{unit}</span>'
        '</figcaption><div class="plot-drawing">{scale}'
        '<svg role="img" width="100%" height="{height}" aria-labelledby="{key}-title {key}-desc">'
        '<title id="{key}-title">{title}</title>'
        '<desc id="{key}-desc">{desc}</desc>{back}'
        '<svg width="100%" height="{height}" viewBox="0 0 {wide} {height}" '
        'preserveAspectRatio="none">{strokes}</svg>{front}</svg></div>'
        '<p class="plot-axis">{axis}</p>{legend}{tables}</figure>',
        title=title,
        unit=unit,
        height=height,
        key=key,
        wide=WIDTH,
        desc=description_of(lines, limits, axis, unit),
        scale=mark_safe(_scale(frame)),  # noqa: S308 built from numbers
        back=mark_safe(back),  # noqa: S308 built from numbers and escaped words
        strokes=mark_safe(strokes),  # noqa: S308 built from numbers
        front=mark_safe(front),  # noqa: S308 built from numbers and escaped words
        axis=axis_words,
        legend=key_of(lines, bands, markers, axis),
        tables=tables_of(lines, axis, unit),
    )
