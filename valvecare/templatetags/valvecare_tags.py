"""What templates need: numbers with their unit, times in the site's zone, marks, the menu.

A null number is shown as 'not known', never as 0 or an empty place. A time is shown in the zone
of the site it belongs to, with the zone's name. A date has no zone: it is the site's own day.
"""

from datetime import date, datetime, timedelta
from typing import Any

from django import template
from django.core.exceptions import ImproperlyConfigured
from django.utils.html import format_html
from django.utils.safestring import SafeString

from valvecare.core.conf import options
from valvecare.core.models import NOT_KNOWN
from valvecare.web import marks, words
from valvecare.web import menu as menus
from valvecare.web.share_bar import share_bar

register = template.Library()


def not_known() -> SafeString:
    """The mark of a fact nobody has."""
    return format_html('<span class="not-known">{}</span>', NOT_KNOWN)


@register.simple_tag
def number(value: Any, unit: str = "", digits: int | None = None) -> SafeString:
    """`{% number flow "m³/h" %}`: the figure and its unit kept on one line; null is 'not known'."""
    if value is None or value == "":
        return not_known()
    return format_html('<span class="num">{}</span>', words.quantity(float(value), unit, digits))


_UNITS = {"1": "", "degC": "°C", "m3/h": "m³/h", "bar_g": "bar g", "bar_a": "bar a"}


@register.simple_tag
def unit_word(unit: str) -> str:
    """A stored unit as people write it; a plain count has none."""
    return _UNITS.get(unit, unit)


@register.filter
def code_words(code: str) -> str:
    """A stored code as people read it: future_time is future time."""
    return code.replace("_", " ")


@register.simple_tag
def uncertainty(value: float, share: float, unit: str) -> SafeString:
    """The half-width that a share of a value makes: ± 1.05 m³/h (5 %)."""
    return format_html(
        '<span class="num">±\u00a0{} ({}\u00a0%)</span>',
        words.quantity(value * share, unit),
        words.figure(share * 100),
    )


@register.simple_tag
def percent(value: float) -> SafeString:
    """A share in per cent, with its sign where it is below 0: 6 %, −26.1 %."""
    return format_html('<span class="num">{}\u00a0%</span>', words.figure(round(value * 100, 1)))


@register.simple_tag
def figure_or_word(value: Any, unit: str = "") -> Any:
    """A number with its unit, a word as it is, null as 'not known'."""
    return known(value) if isinstance(value, str) else number(value, unit)


@register.filter
def share(value: Any) -> SafeString:
    """A share of a limit with two decimals; 1.00 only when it is reached."""
    if value is None:
        return not_known()
    return format_html('<span class="num">{}</span>', words.plain_share(value))


@register.filter
def known(value: Any) -> Any:
    """The value itself, or the clearly marked word 'not known'."""
    if value is None or value == "" or value == NOT_KNOWN:
        return not_known()
    return value


@register.filter
def age(value: timedelta | None) -> str | SafeString:
    """How old, in the unit that says it best: 40 min, 7 h, 12 days."""
    return not_known() if value is None else words.plain_age(value)


@register.filter
def plain_date(value: date | None) -> str | SafeString:
    """A day: 4 May 2026."""
    return not_known() if value is None else words.plain_date(value)


@register.filter
def iso_date(value: str | None) -> str | SafeString:
    """A day that is stored as text, 2026-05-04: 4 May 2026."""
    return not_known() if not value else words.plain_date(date.fromisoformat(value))


@register.filter
def site_time(value: datetime | None, place: Any) -> SafeString:
    """`{{ at|site_time:site }}`: 4 May 2026, 14:00 CEST, machine-readable inside `<time>`."""
    if value is None:
        return not_known()
    local = value.astimezone(words.zone_of(place))
    return format_html('<time datetime="{}">{}</time>', local.isoformat(), words.plain_time(local))


@register.filter
def site_day(value: datetime | None, place: Any) -> SafeString:
    """The site's own day of an instant: 4 May 2026."""
    if value is None:
        return not_known()
    local = value.astimezone(words.zone_of(place))
    return format_html(
        '<time datetime="{}">{}</time>', local.date().isoformat(), words.plain_date(local.date())
    )


@register.simple_tag
def status(word: Any, note: Any = "") -> SafeString:
    """`{% status item.state %}`: word, colour and shape of a state."""
    return marks.badge(word, note)


@register.filter
def tone(word: Any) -> str:
    """The colour family of a state word, for a class name."""
    return marks.mark_of(word).tone.value


@register.filter
def shape(word: Any) -> SafeString:
    """The shape of a state word, hidden from screen readers."""
    return marks.shape(marks.mark_of(word))


@register.simple_tag
def share_used(share: Any, state: Any, at_least: bool = False) -> SafeString:
    """`{% share_used item.share_used item.state %}`: bar and number of a share of a limit."""
    margin = options().LOW_MARGIN_SHARE
    return share_bar(share, state, coming_up_from=margin, at_least=at_least)


@register.simple_tag
def date_band(earliest: date | None, likely: date | None, latest: date | None) -> SafeString:
    """Likely day, with earliest and latest when they differ from it."""
    if likely is None:
        if latest is None:
            return format_html('<span class="not-known">{}</span>', "cannot say")
        return format_html("by {} at the latest", words.plain_date(latest))
    if earliest is None and latest is None or earliest == likely == latest:
        return format_html('<span class="num">{}</span>', words.plain_date(likely))
    low = words.plain_date(earliest) if earliest else "cannot say"
    high = words.plain_date(latest) if latest else "cannot say"
    return format_html(
        '<span class="num">{}</span> <span class="band-dates">{} to {}</span>',
        words.plain_date(likely),
        low,
        high,
    )


@register.simple_tag(takes_context=True)
def menu(context: Any) -> list[menus.Item]:
    """`{% menu as items %}`."""
    request = context.get("request")
    if request is None:
        raise ImproperlyConfigured(
            "valvecare templates need django.template.context_processors.request."
        )
    return menus.menu(request) if getattr(request, "user", None) is not None else []


@register.simple_tag
def demo_note() -> str:
    """`{% demo_note as note %}`: one sentence in demo mode, else empty."""
    given = options()
    if not given.DEMO:
        return ""
    day = f" Demo day {words.plain_date(date.fromisoformat(given.TODAY))}." if given.TODAY else ""
    return f"Invented demo plant.{day}"


@register.simple_tag(takes_context=True)
def with_query(context: Any, **changes: Any) -> str:
    """`{% with_query state='overdue' cursor=None %}`: this page's query string with changes."""
    query = context["request"].GET.copy()
    for name, value in changes.items():
        if value is None or value == "":
            query.pop(name, None)
        else:
            query[name] = str(value)
    return f"?{query.urlencode()}"
