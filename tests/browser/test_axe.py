"""Accessibility of every page of ours, at phone and desk width, light and dark.

Held against WCAG 2.2 levels A and AA by the open checker axe-core, plus what it cannot see:
targets of 44 px on a phone (common practice; WCAG 2.2 success criterion 2.5.8 asks 24 px, from
memory) and no sideways scrolling of the page at 320 px (success criterion 1.4.10, from memory).
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.browser.scene import ARGUMENTS, Scene, addresses, pages, unlisted

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN = "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})"
SMALL = """() => [...document.querySelectorAll('a, button, input, select, summary')]
    .filter(node => node.checkVisibility() && !node.classList.contains('skip')
        && node.type !== 'hidden' && !node.closest('p, li.inline, .under, dd, td, th'))
    .map(node => [node.outerHTML.slice(0, 90),
        (node.closest('label') ?? node).getBoundingClientRect().height])
    .filter(([, height]) => height < 43.5)"""
"""A tick box inside its label is pressed anywhere on the label."""


@pytest.fixture(scope="module")
def axe() -> str:
    path = Path(os.environ.get("AXE_CORE_JS", ""))
    if not path.is_file():
        pytest.skip("needs axe-core: set AXE_CORE_JS to axe.min.js of the npm package axe-core")
    return path.read_text(encoding="utf-8")


@dataclass(frozen=True)
class Visitor:
    """A signed-in person at a screen of this width."""

    chromium: Any
    url: str
    session: str
    paths: tuple[tuple[str, str], ...]

    def look(self, steps: Callable[[Any], Any], *, width: int = 390, **options: Any) -> Any:
        viewport = {"width": width, "height": 844}
        return self.chromium.look(
            steps,
            url=self.url,
            session=self.session,
            viewport=viewport,
            bypass_csp=True,
            **options,
        )


@pytest.fixture
def visitor(chromium: Any, live_server: Any, scene: Scene) -> Visitor:
    return Visitor(chromium, live_server.url, scene.cookie(), tuple(addresses(scene)))


def test_every_page_is_visited() -> None:
    assert unlisted() == [], "give these pages their arguments in tests/browser/scene.py"
    assert set(ARGUMENTS) <= set(pages())
    assert {"protection", "valves", "due", "due-why", "valve", "search"} <= set(pages())


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_no_page_breaks_a_rule(visitor: Visitor, axe: str, width: int, scheme: str) -> None:
    def walk(page: Any) -> tuple[int, list[Any]]:
        broken, passed = [], 0
        for name, path in visitor.paths:
            page.goto(path)
            page.add_script_tag(content=axe)
            result = page.evaluate(RUN, TAGS)
            passed += len(result["passes"])
            broken += [
                (name, rule["id"], node["html"][:120])
                for rule in result["violations"]
                for node in rule["nodes"]
            ]
        return passed, broken

    passed, broken = visitor.look(walk, width=width, color_scheme=scheme)
    assert broken == []
    assert passed > 10 * len(visitor.paths)  # the checker really ran its rules


def test_the_open_menu_of_a_phone_breaks_no_rule(visitor: Visitor, axe: str) -> None:
    def open_and_close(page: Any) -> tuple[bool, list[str], bool]:
        page.goto("/")
        page.get_by_role("button", name="Menu").click()
        link = page.get_by_role("link", name="Due", exact=True)
        opened = link.is_visible()
        page.add_script_tag(content=axe)
        broken = [rule["id"] for rule in page.evaluate(RUN, TAGS)["violations"]]
        page.keyboard.press("Escape")
        return opened, broken, link.is_visible()

    assert visitor.look(open_and_close) == (True, [], False)


def test_targets_on_a_phone_are_large(visitor: Visitor) -> None:
    def measure(page: Any) -> list[Any]:
        small = []
        for name, path in visitor.paths:
            page.goto(path)
            small += [(name, *node) for node in page.evaluate(SMALL)]
        return small

    assert visitor.look(measure) == []


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_no_page_scrolls_sideways(visitor: Visitor, width: int) -> None:
    def measure(page: Any) -> list[Any]:
        wide = []
        for name, path in visitor.paths:
            page.goto(path)
            reach = page.evaluate("document.documentElement.scrollWidth")
            if reach > width:
                wide.append((name, reach))
        return wide

    assert visitor.look(measure, width=width) == []


def test_text_of_twice_the_size_still_fits_a_phone(visitor: Visitor) -> None:
    """WCAG 2.2 success criterion 1.4.4: text to 200 %, here at 390 px."""

    def measure(page: Any) -> list[Any]:
        wide = []
        for name, path in visitor.paths:
            page.goto(path)
            page.evaluate("document.documentElement.style.fontSize = '200%'")
            reach = page.evaluate("document.documentElement.scrollWidth")
            if reach > 390:
                wide.append((name, reach))
        return wide

    assert visitor.look(measure) == []


def test_the_first_tab_stop_skips_to_the_content(visitor: Visitor) -> None:
    def press(page: Any) -> tuple[str, bool, str]:
        page.goto("/due/")
        page.keyboard.press("Tab")
        words = page.evaluate("document.activeElement.textContent")
        shown = page.evaluate("document.activeElement.getBoundingClientRect().top >= 0")
        page.keyboard.press("Enter")
        return words, shown, page.evaluate("document.activeElement.id")

    assert visitor.look(press) == ("Skip to the content", True, "content")


AT_THE_VALVE = ("my-work", "work-order", "order-whole", "order-identity", "on-this-phone")
FOCUSED = """() => {
    const node = document.activeElement;
    const box = node.getBoundingClientRect();
    return [node.tagName, node.name || node.textContent.trim().slice(0, 40), box.height > 0,
        getComputedStyle(node).outlineStyle !== 'none'];
}"""
REACHABLE = """() => [...document.querySelectorAll(
    'main :is(a[href], button, input, select, textarea, summary)')].filter(
    (node) => node.type !== 'hidden' && !node.disabled && node.checkVisibility()).length"""


def test_the_pages_at_the_valve_are_walked_by_keyboard(visitor: Visitor) -> None:
    """Tab reaches every control that is seen, in sight and with a ring; none holds the focus."""

    def walk(page: Any) -> list[Any]:
        lacking = []
        for name, path in visitor.paths:
            if name not in AT_THE_VALVE:
                continue
            page.goto(path)
            wanted = page.evaluate(REACHABLE)
            page.evaluate("document.getElementById('content').focus()")
            reached = 0
            for _ in range(wanted + 5):
                page.keyboard.press("Tab")
                tag, words, seen, ringed = page.evaluate(FOCUSED)
                if not page.evaluate("document.activeElement.closest('main') !== null"):
                    break
                reached += 1
                if not (seen and ringed):
                    lacking.append((name, tag, words))
            if reached < wanted:
                lacking.append((name, f"{reached} of {wanted} reached"))
        return lacking

    assert visitor.look(walk) == []
