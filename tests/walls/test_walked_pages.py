"""No own page without a walk: what the browser tests leave out takes no GET, or is no page."""

import pytest
from django.urls import NoReverseMatch, get_resolver, reverse

from tests.browser.scene import ARGUMENTS, NO_PAGE, pages, unlisted
from tests.factories.register import UserFactory
from tests.work.test_pages import signed_in

pytestmark = pytest.mark.django_db

DOCUMENTS = {
    "manifest",
    "service-worker",
    "phone-session",
    "photo",
    "livez",
    "readyz",
    "schema",
    "api-docs",
    "label-svg",
    "labels-pdf",
    "job-card-pdf",
    "label",
    "label-lower-case",
    "parts-find",
}
"""Answers that are no page: data, pictures, redirects, and the library's document."""


def address(name: str) -> str:
    """The route's address with whatever its arguments take."""
    for given in ([], [1], [1, "x"], [1, 1], ["x"], ["x", 1], [1, 1, "x"], ["valve", 1], [1, "T2"]):
        try:
            return reverse(f"valvecare:{name}", args=given)
        except NoReverseMatch:
            continue
    raise AssertionError(f"No address for {name}: give this test its arguments.")


def test_what_no_browser_walks_takes_no_get() -> None:
    client = signed_in(UserFactory(is_superuser=True, is_staff=True))
    left_out = sorted(NO_PAGE - DOCUMENTS)
    takes_get = [name for name in left_out if client.get(address(name)).status_code != 405]
    assert takes_get == [], "these are pages: give them to tests/browser/scene.py"


def test_every_other_route_is_walked() -> None:
    assert unlisted() == []
    known = set(pages()) | NO_PAGE
    assert set(ARGUMENTS) <= known
    assert not set(pages()) & NO_PAGE
    names = {
        str(key)
        for entry in get_resolver().url_patterns
        if getattr(entry, "namespace", None) == "valvecare"
        for key in entry.reverse_dict
        if isinstance(key, str)
    }
    assert names >= NO_PAGE, "left out, but no route any more"
