"""No page of ours, and no register page, asks any other host or breaks the strict content policy.

The content security policy is W3C CSP level 3 with `default-src 'self'`; a breach is an error
in the browser's console, which is read here.
"""

from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.browser.scene import Scene, addresses

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

REGISTER = ("/admin/", "/admin/auth/user/", "/admin/auth/user/add/", "/admin/valvecare/event/")


@dataclass
class Heard:
    """What the browser asked for and said while it walked."""

    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    policies: set[str] = field(default_factory=set)
    bare: list[str] = field(default_factory=list)


def walk(page: Any, paths: list[str]) -> Heard:
    heard = Heard()
    page.on("request", lambda request: heard.asked.append(request.url))
    page.on("console", lambda message: heard.said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: heard.said.append(f"page error: {error}"))
    for path in paths:
        answer = page.goto(path, wait_until="load")
        heard.policies.add(answer.headers["content-security-policy"])
        if not page.evaluate("document.styleSheets.length"):
            heard.bare.append(path)
    return heard


def test_every_page_stays_at_home_and_keeps_the_policy(
    chromium: Any, live_server: Any, scene: Scene
) -> None:
    paths = [path for _, path in addresses(scene)] + list(REGISTER)
    heard = chromium.look(
        lambda page: walk(page, paths), url=live_server.url, session=scene.cookie()
    )
    home = urlsplit(live_server.url).netloc
    addresses_asked = [urlsplit(url) for url in heard.asked]
    outside = [
        url.geturl()
        for url in addresses_asked
        if url.scheme not in ("data", "blob") and url.netloc != home
    ]
    assert outside == []
    assert heard.bare == []  # the style sheet came through the policy
    assert len(heard.asked) > 2 * len(paths)
    assert all("default-src 'self'" in words for words in heard.policies)
    assert "unsafe-inline" not in "".join(heard.policies)
    # a page that answers 404 or 400 on purpose is told by the browser; nothing else may be
    errors = [words for words in heard.said if words.startswith(("error", "page error"))]
    assert [words for words in errors if "responded with a status of 40" not in words] == []
