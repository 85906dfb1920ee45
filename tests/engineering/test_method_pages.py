"""The worked examples of the method pages run as written."""

import doctest
import re
from pathlib import Path

import pytest

PAGES = sorted((Path(__file__).parents[2] / "docs" / "methods").glob("*.md"))
FENCED = re.compile(r"^```python\n(.*?)^```$", re.DOTALL | re.MULTILINE)
MUST_HAVE_EXAMPLES = {
    "cautions",
    "closing-spring",
    "cover-release",
    "fastener-torque",
    "flange-bolting",
    "flashing-water",
    "gasket-loads",
    "leak-class",
    "lifting",
    "part-disposition",
    "seal-pairs",
    "tightening-plan",
    "wear-trend",
}


def blocks(page: Path) -> list[str]:
    return FENCED.findall(page.read_text(encoding="utf-8"))


@pytest.mark.parametrize("page", [p for p in PAGES if blocks(p)], ids=lambda page: page.stem)
def test_every_example_runs(page: Path) -> None:
    """All blocks of one page, in order, in one namespace."""
    source = "\n".join(blocks(page))
    test = doctest.DocTestParser().get_doctest(source, {}, page.stem, str(page), 0)
    assert test.examples, f"{page.name} has a python block without an example"
    failures: list[str] = []
    doctest.DocTestRunner(verbose=False).run(test, out=failures.append)
    assert not failures, "".join(failures)


@pytest.mark.parametrize("name", sorted(MUST_HAVE_EXAMPLES))
def test_the_page_has_a_formula_a_validity_a_source_and_an_example(name: str) -> None:
    page = next(p for p in PAGES if p.stem == name)
    text = page.read_text(encoding="utf-8")
    assert blocks(page)
    assert "Code: `valvecare.engineering." in text
    assert "## Sources" in text
    assert "## Worked example" in text
