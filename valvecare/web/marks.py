"""How a state is marked on a page: always a word, a colour and a shape.

One table for all words of the project, so that a state looks the same everywhere. The shapes
differ in outline, not only in colour: they survive a grey print and a colour-blind eye.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe


class Tone(StrEnum):
    """The colour family of the style sheet (`tone-good`, ...)."""

    GOOD = "good"
    WARN = "warn"
    BAD = "bad"
    UNKNOWN = "unknown"
    PLAIN = "plain"
    BUSY = "busy"


@dataclass(frozen=True, slots=True)
class Mark:
    tone: Tone
    shape: str


GOOD = Mark(Tone.GOOD, "disc")
WARN = Mark(Tone.WARN, "triangle")
BAD = Mark(Tone.BAD, "square")
UNKNOWN = Mark(Tone.UNKNOWN, "diamond")
PLAIN = Mark(Tone.PLAIN, "ring")
BUSY = Mark(Tone.BUSY, "half")
WAITING = Mark(Tone.WARN, "bars")
DONE = Mark(Tone.PLAIN, "disc")

MARKS: Mapping[str, Mark] = {
    # can it protect
    "Protects": GOOD,
    "Doubtful": WARN,
    "Does not protect": BAD,
    "Not known": UNKNOWN,
    # due
    "no record": UNKNOWN,
    "overdue": BAD,
    "coming up": WARN,
    "not yet": GOOD,
    # progress of a work order
    "raised": PLAIN,
    "agreed": PLAIN,
    "placed": PLAIN,
    "readied": PLAIN,
    "under way": BUSY,
    "proven": GOOD,
    "closed": DONE,
    "on hold": WAITING,
    "put off": WAITING,
    "dropped": PLAIN,
    # result of a function test
    "pass": GOOD,
    "fail": BAD,
    "undecided": UNKNOWN,
    "not able": UNKNOWN,
    "test not able": UNKNOWN,
    "not done": WAITING,
    "not applicable": PLAIN,
    # as-found grade of the valve
    "better than expected": GOOD,
    "as expected": GOOD,
    "worse": WARN,
    "failed": BAD,
    # quality of a reading, judgement of what was set aside
    "good": GOOD,
    "uncertain": WARN,
    "late": WARN,
    "silent": WARN,
    "bad": BAD,
    "waiting": WAITING,
    "accepted": DONE,
    "dismissed": PLAIN,
    "not known": UNKNOWN,
    # does a kit fit
    "fits": GOOD,
    "fits with note": WARN,
    "does not fit": BAD,
    "unknown": UNKNOWN,
    # where a lot or a wanted kit stands
    "on the shelf": GOOD,
    "expiring": WARN,
    "expired": BAD,
    "in quarantine": BAD,
    "empty": PLAIN,
    "issued": DONE,
    "kept": GOOD,
    "on its way": BUSY,
    "short": BAD,
    "no kit listed": UNKNOWN,
    # a stock count
    "counting": BUSY,
    "counted": WAITING,
    "approved": DONE,
    "rejected": PLAIN,
}

SHAPES: Mapping[str, str] = {
    "disc": '<circle cx="8" cy="8" r="6.5" fill="currentColor"/>',
    "ring": '<circle cx="8" cy="8" r="5.5" fill="none" stroke="currentColor" stroke-width="2"/>',
    "half": '<circle cx="8" cy="8" r="5.5" fill="none" stroke="currentColor" stroke-width="2"/>'
    '<path d="M8 2.5a5.5 5.5 0 0 1 0 11z" fill="currentColor"/>',
    "triangle": '<path d="M8 1.2 15.4 14.4H.6z" fill="currentColor"/>',
    "square": '<path d="M1.8 1.8h12.4v12.4H1.8z" fill="currentColor"/>',
    "diamond": '<path d="M8 1.6 14.4 8 8 14.4 1.6 8z" fill="none" stroke="currentColor" '
    'stroke-width="2"/><circle cx="8" cy="8" r="1.4" fill="currentColor"/>',
    "bars": '<path d="M2.5 2h4v12h-4zM9.5 2h4v12h-4z" fill="currentColor"/>',
}


def mark_of(word: object) -> Mark:
    """The mark of a state word; a word without one is plain, never green."""
    return MARKS.get(str(word), PLAIN)


def shape(mark: Mark) -> SafeString:
    """The shape alone, hidden from screen readers: the word beside it says the same."""
    drawing = mark_safe(SHAPES[mark.shape])  # noqa: S308 constants of this module
    return format_html(
        '<svg class="shape" viewBox="0 0 16 16" aria-hidden="true" focusable="false">{}</svg>',
        drawing,
    )


def badge(word: object, note: object = "") -> SafeString:
    """Shape, colour and word of a state, with an optional short note after the word."""
    mark = mark_of(word)
    extra = format_html(' <span class="badge-note">{}</span>', note) if note else ""
    return format_html(
        '<span class="badge tone-{}">{}<span>{}</span>{}</span>',
        mark.tone.value,
        shape(mark),
        word,
        extra,
    )
