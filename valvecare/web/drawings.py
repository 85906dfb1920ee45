"""Drawings for the work at the valve: bolts of the cover, release of the spring, the parts.

Pure functions: facts in, a `<figure>` out, with an accessible name, a description and the same
content as a list. Positions are numbered clockwise from 1, seen from the nut side; position 1 is
at the top. Colours come from the style sheet; shape and word carry the meaning as well.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import cos, pi, sin
from typing import Final

from django.utils.html import conditional_escape, escape
from django.utils.safestring import SafeString, mark_safe

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.tightening import TighteningStep

MOST_DRAWN: Final = 32
"""Bolts drawn one by one; with more the numbers would touch and the list says it alone."""
SIDE: Final = 320.0
MIDDLE: Final = SIDE / 2
CIRCLE: Final = 112.0


def _checked(key: str) -> str:
    if not re.fullmatch(r"[a-z0-9-]+", key):
        raise OutOfRange("key", float("nan"), "lower-case letters, digits and hyphens", key)
    return key


def _figure(key: str, title: str, desc: str, view: str, body: str, equal: str) -> SafeString:
    """The frame of every drawing; `body` and `equal` are already escaped."""
    name = _checked(key)
    return mark_safe(  # noqa: S308 the words are escaped here, the rest is built from numbers
        f'<figure class="drawing"><figcaption>{escape(title)}</figcaption>'
        f'<div class="drawing-both"><svg role="img" viewBox="{view}" '
        f'aria-labelledby="{name}-title {name}-desc"><title id="{name}-title">{escape(title)}'
        f'</title><desc id="{name}-desc">{escape(desc)}</desc>{body}</svg>'
        f'<div class="drawing-words">{equal}</div></div></figure>'
    )


def _place(position: int, count: int, radius: float) -> tuple[float, float]:
    """Where a position lies: 1 at the top, clockwise."""
    angle = 2 * pi * (position - 1) / count
    return MIDDLE + radius * sin(angle), MIDDLE - radius * cos(angle)


def _text(kind: str, x: float, y: float, words: object) -> str:
    return (
        f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="middle" '
        f'dominant-baseline="central">{escape(words)}</text>'
    )


def _flange() -> str:
    inner = CIRCLE - 34
    return (
        f'<circle class="part" cx="{MIDDLE:g}" cy="{MIDDLE:g}" r="{CIRCLE + 24:g}"/>'
        f'<circle class="hidden-edge" cx="{MIDDLE:g}" cy="{MIDDLE:g}" r="{CIRCLE:g}"/>'
        f'<circle class="part" cx="{MIDDLE:g}" cy="{MIDDLE:g}" r="{inner:g}"/>'
        f'<path class="arrow" d="M{MIDDLE - 34:g} {MIDDLE + 34:g}a48 48 0 0 1 8 -76'
        f'm-13 1 13 -1 -3 13"/>'
    )


def tightening_drawing(
    key: str, *, title: str, order: Sequence[int], steps: Sequence[TighteningStep] = ()
) -> SafeString:
    """Cover bolts with their position and the turn at which each is tightened.

    Parameters
    ----------
    key : unique on the page
    title : which joint
    order : positions in the order in which they are turned, a permutation of 1..n
    steps : the passes of a `TighteningPlan`; empty when no torque is known

    Returns
    -------
    SafeString: a `<figure>`

    Raises
    ------
    OutOfRange : order is no permutation of 1..n
    """
    count = len(order)
    if count < 2 or sorted(order) != list(range(1, count + 1)):
        raise OutOfRange("order", tuple(order), "each position from 1 to n once")
    turn = {position: number for number, position in enumerate(order, 1)}
    parts = [_flange()]
    if count <= MOST_DRAWN:
        size = min(17.0, pi * CIRCLE / count * 0.8)
        for position in range(1, count + 1):
            x, y = _place(position, count, CIRCLE)
            outside = _place(position, count, CIRCLE + 38)
            parts.append(
                f'<g class="bolt" data-position="{position}">'
                f'<circle class="nut" cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}"/>'
                f"{_text('turn', x, y, turn[position])}{_text('position', *outside, position)}</g>"
            )
    parts.append(_text("note", MIDDLE, MIDDLE, "clockwise"))
    listed = ", ".join(str(position) for position in order)
    desc = (
        f"{count} bolts. Positions are numbered outside, clockwise from the top; the number in "
        f"each bolt is its turn. Positions in the order they are turned: {listed}."
    )
    equal = (
        "<p>Outside: position, clockwise from 1. In the bolt: its turn. "
        f"<strong>Order of positions:</strong> {listed}.</p>"
    )
    if steps:
        equal += "<ol>" + "".join(
            f"<li><strong>{escape(step.name.capitalize())}</strong>: "
            f"{escape(step.instruction)}</li>"
            for step in steps
        )
        equal += "</ol>"
    return _figure(key, title, desc, f"0 0 {SIDE:g} {SIDE:g}", "".join(parts), equal)


def release_drawing(
    key: str,
    *,
    title: str,
    bolt_count: int,
    rods: Sequence[int],
    clamp: bool,
    instructions: Sequence[str],
) -> SafeString:
    """Where the cover rods go and which nuts come off before the cover is let go.

    Parameters
    ----------
    key : unique on the page
    title : which joint, and the verdict
    bolt_count : bolts of the cover, at least 2
    rods : positions that get a rod; empty: the cover is let go on its own studs
    clamp : a clamp holds the cover besides
    instructions : the steps in words, in order

    Returns
    -------
    SafeString: a `<figure>`

    Raises
    ------
    OutOfRange : fewer than 2 bolts, or a rod at a position that does not exist
    """
    held = set(rods)
    if bolt_count < 2:
        raise OutOfRange("bolt_count", bolt_count, "at least 2")
    if not held <= set(range(1, bolt_count + 1)):
        raise OutOfRange("rods", tuple(rods), f"positions from 1 to {bolt_count}")
    parts = [_flange()]
    if bolt_count <= MOST_DRAWN:
        size = min(14.0, pi * CIRCLE / bolt_count * 0.75)
        for position in range(1, bolt_count + 1):
            x, y = _place(position, bolt_count, CIRCLE)
            outside = _place(position, bolt_count, CIRCLE + 38)
            if position in held:
                side = size * 1.8
                shape = (
                    f'<rect class="rod" x="{x - side / 2:.1f}" y="{y - side / 2:.1f}" '
                    f'width="{side:.1f}" height="{side:.1f}"/>{_text("rod-word", x, y, "R")}'
                )
            else:
                shape = f'<circle class="nut" cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}"/>'
            parts.append(
                f'<g class="bolt" data-position="{position}">{shape}'
                f"{_text('position', *outside, position)}</g>"
            )
    if clamp:
        parts.append(
            f'<path class="clamp" d="M{MIDDLE - 60:g} {MIDDLE - 12:g}h120v24h-120z"/>'
            f"{_text('clamp-word', MIDDLE, MIDDLE, 'clamp')}"
        )
    where = ", ".join(str(position) for position in sorted(held))
    rod_words = (
        f"Rods (square, R) at positions {where}. Round: nuts that come off first."
        if held
        else "No rods: every nut is backed off on its own stud, evenly, a turn at a time."
    )
    clamp_words = " A clamp holds the cover before the first nut is loosened." if clamp else ""
    desc = f"{bolt_count} bolts, numbered clockwise from the top. {rod_words}{clamp_words}"
    listed = "".join(f"<li>{escape(words)}</li>" for words in instructions)
    equal = f"<p>{escape(rod_words)}{escape(clamp_words)}</p><ol>{listed}</ol>"
    return _figure(key, title, desc, f"0 0 {SIDE:g} {SIDE:g}", "".join(parts), equal)


@dataclass(frozen=True, slots=True)
class PartMark:
    """What is known of one part: its grade ('' or '?': not known), the words, the decision."""

    part: str
    grade: str
    words: str


_TONES: Final = {
    "0": ("good", "circle"),
    "1": ("good", "circle"),
    "2": ("warn", "triangle"),
    "3": ("warn", "triangle"),
    "4": ("bad", "square"),
}

# Where each part is marked in the two pictures (own simple section, not to scale).
_PLACES: Final[Mapping[str, tuple[float, float]]] = {
    "cover": (180, 40),
    "cover gasket": (105, 62),
    "seal ring": (105, 62),
    "O-ring": (105, 62),
    "closing spring": (180, 92),
    "spring seat": (206, 76),
    "disc stem": (150, 106),
    "disc guide": (150, 78),
    "guide bush": (210, 118),
    "main disc": (180, 150),
    "disc seat": (222, 158),
    "contact ring": (138, 166),
    "body seat": (222, 178),
    "flow ring": (138, 184),
    "body": (86, 150),
    "actuating lever": (256, 118),
    "lever pin": (246, 92),
    "lever bush": (276, 92),
    "bypass trim": (300, 150),
    "bypass plug": (300, 150),
    "bypass sleeve": (240, 138),
    "port": (266, 146),
    "pressure-breaking bushing": (300, 182),
    "bypass outlet orifice": (330, 150),
    "bypass outlet nozzle": (350, 130),
    "bypass non-return element": (350, 170),
}
_BODY: Final = (
    '<path class="part" d="M120 62h120v58h130v50h-130v58h-120z"/>'
    '<path class="part" d="M106 30h148v32h-148z"/>'
    '<path class="flow" d="M180 246v-34m-7 9 7 -9 7 9"/>'
    '<path class="flow" d="M100 100h-34m9 -7 -9 7 9 7"/>'
    '<path class="flow" d="M376 145h30m-9 -7 9 7 -9 7"/>'
    '<path class="part" d="M120 90h-30v24h30"/>'
    '<path class="part" d="M130 184h28M202 184h28"/>'
    '<path class="disc" d="M140 152h80l-12 18h-56z"/>'
    '<path class="part" d="M176 66h8v86h-8z"/>'
    '<path class="spring" d="M160 68l40 10-40 10 40 10-40 10 40 10-40 10"/>'
)
_LEVER: Final = (
    '<path class="lever" d="M184 128 250 106 296 134"/>'
    '<circle class="pin" cx="250" cy="106" r="5"/>'
    '<path class="part" d="M286 134h28v24h-28z"/>'
)
_SLEEVE: Final = (
    '<path class="part" d="M214 112h10v64h-10zM236 112h10v64h-10z"/>'
    '<path class="hidden-edge" d="M246 132h10M246 145h10M246 158h10"/>'
)


def _mark(x: float, y: float, number: int, grade: str) -> str:
    tone, shape = _TONES.get(grade, ("unknown", "ring"))
    drawn = {
        "circle": f'<circle cx="{x:g}" cy="{y:g}" r="10"/>',
        "triangle": f'<path d="M{x:g} {y - 13:g}l13 23h-26z"/>',
        "square": f'<rect x="{x - 10:g}" y="{y - 10:g}" width="20" height="20"/>',
        "ring": f'<circle class="open" cx="{x:g}" cy="{y:g}" r="10"/>',
    }[shape]
    inside = _text("mark-number", x, y, number)
    return f'<g class="mark tone-{tone}" data-part="{number}">{drawn}{inside}</g>'


def valve_drawing(
    key: str,
    *,
    title: str,
    has_lever: bool | None,
    marks: Sequence[PartMark],
    grades: Mapping[str, str],
    asked: Collection[str] = (),
) -> SafeString:
    """A plain section of the valve with each part's finding marked by number, shape and word.

    Parameters
    ----------
    key : unique on the page
    title : which valve, which inspection
    has_lever : lever to the bypass (True), sleeve (False), not known (None: neither is drawn)
    marks : findings; a part without a place in the picture is in the list only
    grades : words of each grade
    asked : parts to be judged in this order, listed as 'not judged' when they carry no mark

    Returns
    -------
    SafeString: a `<figure>`
    """
    marked = {mark.part: mark for mark in marks}
    rows = [*marks, *(PartMark(part, "", "") for part in asked if part not in marked)]
    parts = [_BODY]
    if has_lever is not None:
        parts.append(_LEVER if has_lever else _SLEEVE)
    taken: dict[tuple[float, float], int] = {}
    listed, sayings = [], []
    for number, row in enumerate(rows, 1):
        grade_words = grades.get(row.grade, "") or "not judged"
        tone = _TONES.get(row.grade, ("unknown", "ring"))[0]
        place = _PLACES.get(row.part)
        if place is not None:
            shift = taken.get(place, 0)
            taken[place] = shift + 1
            parts.append(_mark(place[0] + 22 * shift, place[1], number, row.grade))
        said = f"{row.part}: {grade_words}" + (f", {row.words}" if row.words else "")
        sayings.append(f"{number} {said}")
        listed.append(
            f"<li>{escape(row.part)}: "
            f'<strong class="tone-{tone}">{escape(grade_words)}</strong>'
            f"{', ' + conditional_escape(row.words) if row.words else ''}</li>"
        )
    kind = {True: "lever to the bypass", False: "bypass sleeve", None: "bypass not known"}
    desc = (
        f"Simple section, not to scale, {kind[has_lever]}: inlet from the pump below, outlet to "
        f"the left, bypass outlet to the right. {'; '.join(sayings)}."
    )
    equal = (
        f"<p>Not to scale; {kind[has_lever]}. Inlet below, main outlet left, bypass right.</p>"
        f"<ol>{''.join(listed)}</ol>"
    )
    return _figure(key, title, desc, "50 14 370 244", "".join(parts), equal)
