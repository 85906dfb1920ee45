"""The worked examples of the method pages run as written; the index lists exactly these pages."""

import doctest
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "docs" / "methods"
PAGES = sorted(page for page in FOLDER.glob("*.md") if page.name != "README.md")
FENCED = re.compile(r"^```python\n(.*?)^```$", re.DOTALL | re.MULTILINE)
HYDRAULIC = {
    "bypass",
    "cooling-line",
    "flow-measurement",
    "function-test",
    "leakage",
    "liquids",
    "minimum-flow",
    "no-flow",
    "parallel-pumps",
    "pump-curve",
    "pump-energy",
    "suction",
    "temperature-rise",
    "uncertainty",
    "units",
}
MECHANICAL = {
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


@pytest.mark.parametrize("name", sorted(HYDRAULIC | MECHANICAL))
def test_the_page_names_its_code_its_source_and_has_an_example(name: str) -> None:
    page = FOLDER / f"{name}.md"
    text = page.read_text(encoding="utf-8")
    assert blocks(page)
    assert "Code: `valvecare.engineering." in text
    assert "## Worked example" in text
    wanted = ("## Formula", "## Valid for", "## Source") if name in HYDRAULIC else ("## Sources",)
    for heading in wanted:
        assert heading in text, heading


def test_the_index_lists_every_page_and_no_other() -> None:
    index = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"\]\(([a-z-]+\.md)\)", index)) == {page.name for page in PAGES}
