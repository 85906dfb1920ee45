"""Words of numbers, days and states: units kept, null never 0, site zone named."""

from datetime import UTC, date, datetime
from types import SimpleNamespace

import pytest
from django.contrib.auth.models import AnonymousUser
from django.template import Context, Template
from django.test import RequestFactory, override_settings

from valvecare.web import words
from valvecare.web.marks import MARKS, SHAPES, Tone, badge, mark_of


def rendered(text: str, **context: object) -> str:
    request = RequestFactory().get("/due/?state=overdue&site=NH")
    request.user = AnonymousUser()
    return Template("{% load valvecare_tags %}" + text).render(
        Context({"request": request, **context})
    )


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (27.0, "m³/h", "27\u00a0m³/h"),
        (11072, "h", "11\u202f072\u00a0h"),
        (0.045, "mm", "0.045\u00a0mm"),
        (-180, "1/min", "\u2212180\u00a01/min"),
        (24.1, "°C", "24.1\u00a0°C"),
        (0, "h", "0\u00a0h"),
        (3.3, "", "3.3"),
    ],
)
def test_a_number_keeps_its_unit(value, unit, shown):
    html = rendered("{% number v u %}", v=value, u=unit)
    assert html == f'<span class="num">{shown}</span>'


@pytest.mark.parametrize(
    "text",
    [
        "{% number v 'mm' %}",
        "{{ v|share }}",
        "{{ v|known }}",
        "{{ v|plain_date }}",
        "{{ v|site_time:'UTC' }}",
        "{{ v|site_day:'UTC' }}",
    ],
)
def test_null_is_not_known_never_zero(text):
    assert rendered(text, v=None) == '<span class="not-known">not known</span>'


def test_the_stored_word_not_known_is_marked_too():
    assert "not-known" in rendered("{{ v|known }}", v="not known")
    assert rendered("{{ v|known }}", v="<EPDM>") == "&lt;EPDM&gt;"


def test_an_instant_is_shown_in_the_zone_of_its_site():
    at = datetime(2026, 5, 4, 22, 30, tzinfo=UTC)
    site = SimpleNamespace(time_zone="Europe/Stockholm")
    assert rendered("{{ at|site_time:site }}", at=at, site=site) == (
        '<time datetime="2026-05-05T00:30:00+02:00">5\u00a0May\u00a02026, 00:30\u00a0CEST</time>'
    )
    assert rendered("{{ at|site_day:'Asia/Muscat' }}", at=at) == (
        '<time datetime="2026-05-05">5\u00a0May\u00a02026</time>'
    )


def test_a_day_has_its_month_by_name():
    assert rendered("{{ d|plain_date }}", d=date(2026, 5, 4)) == "4\u00a0May\u00a02026"


def test_a_state_is_word_colour_and_shape():
    html = rendered("{% status 'overdue' %}")
    assert "tone-bad" in html
    assert SHAPES["square"] in html
    assert ">overdue<" in html


def test_words_that_mean_unknown_are_never_green():
    for word in ("Not known", "no record", "not known", "undecided", "not able"):
        assert mark_of(word).tone is Tone.UNKNOWN


def test_colours_of_judgements_have_different_outlines():
    by_tone: dict[Tone, set[str]] = {}
    for mark in MARKS.values():
        by_tone.setdefault(mark.tone, set()).add(mark.shape)
    good, bad, unknown = (by_tone[tone] for tone in (Tone.GOOD, Tone.BAD, Tone.UNKNOWN))
    assert (good, bad, unknown) == ({"disc"}, {"square"}, {"diamond"})
    assert by_tone[Tone.WARN] == {"triangle", "bars"}


def test_a_word_nobody_knows_is_plain_and_escaped():
    assert 'tone-plain">' in badge("<x>")
    assert "&lt;x&gt;" in badge("<x>")


def test_the_query_string_is_changed_one_name_at_a_time():
    assert rendered("{% with_query site=None page=2 %}") == "?state=overdue&amp;page=2"


@override_settings(VALVECARE={"DEMO": True, "TODAY": "2026-05-04"})
def test_the_demo_says_it_is_invented():
    assert rendered("{% demo_note %}") == ("Invented demo plant. Demo day 4\u00a0May\u00a02026.")


def test_outside_the_demo_nothing_is_said():
    assert rendered("{% demo_note %}") == ""


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (0.0, "0"),
        (-0.0, "0"),
        (0.001, "0.001"),
        (0.00099999, "1\u00a0×\u00a010⁻³"),
        (0.000456, "4.56\u00a0×\u00a010⁻⁴"),
        (5.8e-6, "5.8\u00a0×\u00a010⁻⁶"),
        (-5.8e-6, "\u22125.8\u00a0×\u00a010⁻⁶"),
        (1.23456e-12, "1.235\u00a0×\u00a010⁻¹²"),
    ],
)
def test_a_small_number_is_never_written_as_zero(value, written):
    assert words.figure(value) == written
