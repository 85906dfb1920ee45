"""The menu: the project's page words in the order of the job.

An entry whose page does not exist in this installation is left out. A host that wants other
entries overrides the block `nav` of `valvecare/base.html`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse


@dataclass(frozen=True, slots=True)
class Entry:
    """A word of the menu and the names of pages that may serve it; the first that exists does."""

    word: str
    names: tuple[str, ...]
    staff_only: bool = False


@dataclass(frozen=True, slots=True)
class Item:
    word: str
    url: str
    current: str
    """Value of aria-current: 'page', 'true' (a page below it) or empty."""


MENU: Sequence[Entry] = (
    Entry("Protection", ("valvecare:protection",)),
    Entry("Due", ("valvecare:due",)),
    Entry("Plan", ("valvecare:plan",)),
    Entry("At the valve", ("valvecare:my-work",)),
    Entry("Parts", ("valvecare:parts",)),
    Entry("Readings", ("valvecare:readings",)),
    Entry("Learning", ("valvecare:learning",)),
    Entry("Calculations", ("valvecare:calculations",)),
    Entry("Register", ("valvecare:register",)),
    Entry("Register", ("admin:app_list",), staff_only=True),
)


def url_or_none(request: HttpRequest, name: str, *args: object) -> str | None:
    """The address of a named page under the namespace of this request; None when absent."""
    match = getattr(request, "resolver_match", None)
    current_app = match.namespace if match else None
    if name == "admin:app_list" and not args:
        args = ("valvecare",)
    try:
        return reverse(name, args=args, current_app=current_app)
    except NoReverseMatch:
        return None


def menu(request: HttpRequest) -> list[Item]:
    """The entries that exist here and are open to this person, the current one marked."""
    found: dict[str, str] = {}
    for entry in MENU:
        if entry.word in found or (
            entry.staff_only and not getattr(request.user, "is_staff", False)
        ):
            continue
        urls = (url_or_none(request, name) for name in entry.names)
        url = next((url for url in urls if url), None)
        if url:
            found[entry.word] = url
    within = [url for url in found.values() if request.path.startswith(url)]
    deepest = max(within, key=len, default="")
    return [
        Item(word, url, "page" if url == request.path else "true" if url == deepest else "")
        for word, url in found.items()
    ]
