"""Every worked example in docs/methods is run, and the index lists exactly the pages there are."""

import doctest
import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "docs" / "methods"
PAGES = sorted(page for page in FOLDER.glob("*.md") if page.name != "README.md")
BLOCK = re.compile(r"^```python\n(.*?)^```", re.MULTILINE | re.DOTALL)
HYDRAULICS = {
    "units",
    "liquids",
    "pump-curve",
    "temperature-rise",
    "suction",
    "minimum-flow",
    "no-flow",
    "bypass",
    "parallel-pumps",
    "uncertainty",
    "flow-measurement",
    "function-test",
    "leakage",
    "cooling-line",
    "pump-energy",
}


def examples(page: Path) -> str:
    return "\n".join(BLOCK.findall(page.read_text(encoding="utf-8")))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_worked_examples_are_true(page: Path) -> None:
    source = examples(page)
    test = doctest.DocTestParser().get_doctest(source, {}, page.stem, str(page), 0)
    report: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    result = runner.run(test, out=report.append)
    assert result.failed == 0, "".join(report)
    if page.stem in HYDRAULICS:
        assert result.attempted >= 1, f"{page.name} has no worked example"


@pytest.mark.parametrize("name", sorted(HYDRAULICS))
def test_a_method_page_says_what_it_must(name: str) -> None:
    text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    for heading in ("## Formula", "## Valid for", "## Source", "## Worked example"):
        assert heading in text, heading


def test_the_index_lists_every_page_and_no_other() -> None:
    index = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"\]\(([a-z-]+\.md)\)", index)) == {page.name for page in PAGES}
