"""The share of a limit used, as a bar with its number."""

from math import isfinite

from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from valvecare.engineering.errors import OutOfRange
from valvecare.web.marks import mark_of
from valvecare.web.words import plain_share


def share_bar(
    share: float | None, state: object, *, coming_up_from: float, at_least: bool = False
) -> SafeString:
    """The share of a limit used as a bar up to 1.5, ticked at coming-up and at 1, with its number.

    Parameters
    ----------
    share : 1 = limit reached; None = not known, an empty dashed bar and the words
    state : word of the due state, gives the colour
    coming_up_from : share from which a task is coming up, between 0 and 1
    at_least : the share is a lower bound (counter segments were lost)
    """
    if share is not None and not (isfinite(share) and share >= 0):
        raise OutOfRange("share", share, "at least 0 and finite, or None for not known")
    if not 0 < coming_up_from <= 1:
        raise OutOfRange("coming_up_from", coming_up_from, "above 0 and at most 1")
    scale = 120 / 1.5
    filled = 0.0 if share is None else min(share, 1.5) * scale
    ticks = "".join(
        f'<path class="share-tick" d="M{at * scale:.1f} 0v14"/>' for at in (coming_up_from, 1.0)
    )
    number = "not known" if share is None else ("≥ " if at_least else "") + plain_share(share)
    return format_html(
        '<span class="share tone-{}"><svg class="share-bar{}" viewBox="0 0 120 14" '
        'aria-hidden="true" focusable="false"><path class="share-ground" d="M0 3h120v8H0z"/>'
        '<path class="share-fill" d="M0 3h{}v8H0z"/>{}</svg> '
        '<span class="share-number{}">{}</span></span>',
        mark_of(state).tone.value,
        " share-empty" if share is None else "",
        f"{filled:.1f}",
        mark_safe(ticks),  # noqa: S308 built from numbers
        " not-known" if share is None else "",
        number,
    )
