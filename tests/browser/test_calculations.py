"""The calculation pages in Chromium: no script needed, nothing blocked, fits a phone, prints."""

from typing import Any

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
FORM = "/calculations/bypass-working-point/"


def look(chromium: Any, live_server: Any, scene: Any, steps: Any, width: int, **more: Any) -> Any:
    return chromium.look(
        steps,
        url=live_server.url,
        session=scene.cookie(),
        viewport={"width": width, "height": 844},
        java_script_enabled=False,
        **more,
    )


@pytest.mark.parametrize("width", [390, 1280])
def test_example_result_and_refusal_without_scripts(chromium, live_server, scene, width):
    def steps(page: Any) -> dict[str, Any]:
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.goto("/calculations/")
        page.click("text=Bypass flow on the pump curve")
        page.click("text=Fill with the worked example")
        page.click("button:has-text('Calculate')")
        result = page.inner_text("section[role=status]")
        wide = page.locator("section[role=status]").bounding_box()["width"]
        page.goto("/calculations/function-test/")
        page.click("text=Fill with the worked example")
        page.click("button:has-text('Calculate')")
        for section in page.locator("main section").all():
            wide = max(wide, section.bounding_box()["width"])
        page.goto(FORM)
        page.click("text=Fill with the worked example")
        page.fill("#in-kv_m3_per_h", "4,6")
        page.click("button:has-text('Calculate')")
        return {
            "said": said,
            "result": result,
            "wide": wide,
            "wrong": page.inner_text("#wrong-kv_m3_per_h"),
            "kept": page.input_value("#in-kv_m3_per_h"),
        }

    seen = look(chromium, live_server, scene, steps, width)
    assert seen["said"] == [] or all("422" in line for line in seen["said"])
    assert "Bypass flow" in seen["result"]
    assert "m³/h" in seen["result"]
    assert seen["wide"] <= width
    assert "not a comma" in seen["wrong"]
    assert seen["kept"] == "4,6"


def test_no_page_of_the_calculations_breaks_the_content_security_policy(
    chromium, live_server, scene
):
    """Every form page, with scripts on: a violation is an error on the console."""
    from valvecare.engineering.catalogue import CATALOGUE

    def steps(page: Any) -> list[str]:
        said: list[str] = []
        page.on("console", lambda message: said.append(f"{page.url} {message.text}"))
        page.on("pageerror", lambda error: said.append(f"{page.url} {error}"))
        for path in ["", *(f"{name}/" for name in CATALOGUE)]:
            page.goto(f"/calculations/{path}")
            wide = page.evaluate("document.documentElement.scrollWidth")
            if wide > 390:
                said.append(f"{page.url} is {wide} px wide")
        return said

    viewport = {"width": 390, "height": 844}
    assert (
        chromium.look(steps, url=live_server.url, session=scene.cookie(), viewport=viewport) == []
    )


def test_the_result_prints_without_the_form(chromium, live_server, scene):
    def steps(page: Any) -> tuple[bool, bool]:
        page.goto(FORM)
        page.click("text=Fill with the worked example")
        page.click("button:has-text('Calculate')")
        page.emulate_media(media="print")
        return page.is_visible("#result"), page.is_visible("#inputs")

    assert look(chromium, live_server, scene, steps, 1280) == (True, False)
