"""Sixty unit mix-ups: none goes undetected when the unit is said; the page tells the rest."""

from tests.calculations.unit_mixups import PAGE, mixups, page


def test_no_mixup_goes_undetected_when_the_unit_is_said():
    found = mixups()
    assert len(found) == 60
    assert [case for case in found if case.is_undetected_when_said] == []
    other_kind = {"bar_g", "psig", "gpm", "bar_a"}
    for case in found:
        own_kind = case.computation == "gauge-to-absolute" and case.unit == "psig"
        expected = "refused" if case.unit in other_kind and not own_kind else "converted"
        assert case.said == expected, case


def test_the_page_says_what_happens():
    """Run `python -m tests.calculations.unit_mixups` when a window was changed."""
    assert PAGE.read_text(encoding="utf-8") == page()
