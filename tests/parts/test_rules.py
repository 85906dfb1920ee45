"""The table of fits, shelf life, offers and proposals. Pure: no database.

Fit by serial, revision, medium and shelf life at the job: common practice. Shelf-life groups are
those of ISO 2230 (from memory), here only as data.
"""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson

from valvecare.parts.rules import (
    FitWord,
    KitFacts,
    LotFacts,
    SupersessionFact,
    ValveFacts,
    fits,
    needed_on,
    offers,
    stock_proposal,
    why_not_approve_count,
    why_not_return,
)

VALVE = ValveFacts("V-1", "S-1", "CED", "", 100, "B", "water", "EPDM")
KIT = KitFacts("CED-B-soft", "CED", "", 100, "B", ("water",), "EPDM", True, part_codes=("P-1",))
LOT = LotFacts("L1", date(2028, 3, 31))
JOB = date(2026, 6, 8)
OLD = SupersessionFact("P-1", "P-2", is_both_ways=False)


def check(valve=VALVE, kit=KIT, lot=LOT, *, job_on=JOB, margin_days=14):
    return fits(valve, kit, lot, job_on=job_on, margin_days=margin_days)


TABLE = [
    ("all equal", {}, {}, {}, "fits", []),
    ("serial", {"serial": "not known"}, {}, {}, "unknown", ["serial_not_known"]),
    ("no design", {"design_code": ""}, {}, {}, "unknown", ["design_not_known"]),
    ("other design", {"design_code": "ELM"}, {}, {}, "does not fit", ["design_differs"]),
    ("same size only", {"dn": 125}, {}, {}, "does not fit", ["design_differs"]),
    ("variant", {"variant": "S"}, {}, {}, "does not fit", ["design_differs"]),
    ("revision A kit", {}, {"revision": "A"}, {}, "does not fit", ["revision_differs"]),
    ("valve revision", {"revision": "not known"}, {}, {}, "unknown", ["revision_not_known"]),
    ("kit revision", {}, {"revision": "not known"}, {}, "unknown", ["revision_not_known"]),
    ("medium", {"medium": "sea water"}, {}, {}, "does not fit", ["medium_differs"]),
    ("medium not known", {"medium": "not known"}, {}, {}, "unknown", ["medium_not_known"]),
    ("media not said", {}, {"media": ()}, {}, "unknown", ["kit_media_not_known"]),
    ("any medium", {"medium": "not known"}, {"media": ("any",)}, {}, "fits", []),
    ("rubber", {}, {"seal_material": "NBR"}, {}, "fits with note", ["seal_material_differs"]),
    ("note", {}, {"note": "Two rings spare."}, {}, "fits with note", ["kit_note"]),
    ("retired", {}, {"is_retired": True}, {}, "does not fit", ["kit_retired"]),
    ("superseded", {}, {"supersessions": (OLD,)}, {}, "fits with note", ["superseded_note"]),
    (
        "new one fitted",
        {"fitted_part_codes": {"P-2"}},
        {"supersessions": (OLD,)},
        {},
        "does not fit",
        ["superseded"],
    ),
    (
        "either way",
        {"fitted_part_codes": {"P-2"}},
        {"supersessions": (replace(OLD, is_both_ways=True),)},
        {},
        "fits with note",
        ["superseded_note"],
    ),
    ("quarantine", {}, {}, {"is_quarantined": True}, "does not fit", ["lot_quarantined"]),
    ("half a kit", {}, {}, {"missing": ("P-1",)}, "does not fit", ["kit_not_whole"]),
    (
        "expired",
        {},
        {},
        {"shelf_until": date(2026, 6, 7)},
        "does not fit",
        ["expired_before_job"],
    ),
    (
        "in the margin",
        {},
        {},
        {"shelf_until": date(2026, 6, 21)},
        "does not fit",
        ["inside_service_margin"],
    ),
    ("at the margin", {}, {}, {"shelf_until": date(2026, 6, 22)}, "fits", []),
    ("no day", {}, {}, {"shelf_until": None}, "unknown", ["shelf_life_not_known"]),
    ("no rubber", {}, {"has_shelf_life": False}, {"shelf_until": None}, "fits", []),
    (
        "worst word wins",
        {"serial": "not known"},
        {"revision": "A"},
        {},
        "does not fit",
        ["serial_not_known", "revision_differs"],
    ),
]


@pytest.mark.parametrize(
    ("case", "valve", "kit", "lot", "word", "codes"), TABLE, ids=[row[0] for row in TABLE]
)
def test_the_fit_is_decided_field_by_field(case, valve, kit, lot, word, codes):
    found = check(replace(VALVE, **valve), replace(KIT, **kit), replace(LOT, **lot))
    assert (found.word, [reason.code for reason in found.reasons]) == (word, codes)
    assert found.is_open == (word in ("fits", "fits with note"))
    assert bool(found.refusals()) == (not found.is_open)


def test_unknown_blocks_with_a_remedy():
    found = check(replace(VALVE, revision="not known"))
    assert not found.is_open
    (refusal,) = found.refusals()
    assert refusal.words == "The revision of V-1 is not known."
    assert "never read it from the year" in refusal.remedy


def test_a_shelf_life_without_policy_or_job_day_is_unknown():
    assert check(margin_days=None).reasons[0].code == "no_margin_policy"
    assert check(job_on=None).reasons[0].code == "job_day_not_known"
    assert check(lot=None, margin_days=None).word is FitWord.FITS


def test_a_blocked_shelf_life_names_both_days():
    found = check(lot=LotFacts("L1950", date(2026, 5, 31)))
    assert found.reasons[0].words == (
        "Lot L1950 may be used until 2026-05-31, the job is on 2026-06-08."
    )


@given(
    st.dates(date(2020, 1, 1), date(2040, 1, 1)),
    st.dates(date(2020, 1, 1), date(2040, 1, 1)),
    st.integers(0, 400),
)
def test_a_lot_that_fits_a_job_fits_every_earlier_one(until, job_on, margin):
    lot = LotFacts("L", until)
    if check(lot=lot, job_on=job_on, margin_days=margin).is_open:
        assert until >= job_on + timedelta(days=margin)
        assert check(lot=lot, job_on=job_on - timedelta(days=1), margin_days=margin).is_open


@pytest.mark.parametrize(
    ("case", "given", "wanted"),
    [
        ("placed", {"starts_on": date(2026, 6, 9)}, (date(2026, 6, 9), True)),
        ("overdue waits for the next window", {"due_on": date(2025, 6, 22)}, (JOB, True)),
        ("last window by the due date", {"due_on": date(2026, 9, 1)}, (date(2026, 7, 13), True)),
        ("no window", {"windows": ()}, (date(2026, 7, 1), False)),
        (
            "no window and overdue",
            {"windows": (), "due_on": date(2026, 1, 1)},
            (date(2026, 5, 4), False),
        ),
    ],
)
def test_a_kit_is_wanted_for_a_day(case, given, wanted):
    facts = {
        "starts_on": None,
        "due_on": date(2026, 7, 1),
        "today": date(2026, 5, 4),
        "windows": (JOB, date(2026, 7, 13)),
    }
    assert needed_on(**{**facts, **given}) == wanted


def test_the_revision_b_kit_comes_after_the_stop_and_express_in_time():
    """The demo's sixth puzzle: nine weeks end on 6 July, four on 1 June, the stop is 8 June."""
    found = offers(
        "CED100-100B-trim",
        wanted_on=JOB,
        today=date(2026, 5, 4),
        lead_weeks=9,
        express_weeks=4,
        next_window=date(2027, 6, 7),
    )
    assert [(one.kind.value, one.arrives_on, one.is_in_time) for one in found] == [
        ("order", date(2026, 7, 6), False),
        ("express order", date(2026, 6, 1), True),
        (
            "keep the restriction until the next window, with a signature",
            date(2027, 6, 7),
            False,
        ),
    ]


def test_a_kit_that_comes_in_time_needs_no_signature():
    found = offers(
        "K", wanted_on=JOB, today=date(2026, 5, 4), lead_weeks=3, express_weeks=None,
        next_window=None,
    )  # fmt: skip
    assert [(one.kind.value, one.is_in_time) for one in found] == [("order", True)]


def test_a_stock_proposal_agrees_with_the_negative_binomial_of_a_library():
    """Gamma(k + 1/2, T) and Poisson demand: negative binomial (textbook); scipy as the check."""
    found = stock_proposal(
        issues=4, units=3, observed_days=730, lead_weeks=10, target=0.95, planned=0
    )
    exposure, seen = 3 * 70 * 24, 3 * 730 * 24
    law = nbinom(4.5, seen / (seen + exposure))
    assert found.stock == next(n for n in range(50) if law.cdf(n) >= 0.95)
    assert found.covers == pytest.approx(law.cdf(found.stock), abs=1e-9)
    assert poisson(exposure * 4 / seen).cdf(found.stock) > 0.95


def test_a_stock_proposal_never_lies_below_the_plan():
    given = {"issues": 0, "units": 2, "observed_days": 800, "lead_weeks": 4, "target": 0.9}
    assert stock_proposal(**given, planned=0).stock == 0
    assert stock_proposal(**given, planned=3).stock == 3


def test_a_stock_proposal_refuses_a_short_ledger():
    found = stock_proposal(
        issues=1, units=2, observed_days=20, lead_weeks=9, target=0.95, planned=2
    )
    assert found.stock is None
    assert found.words == (
        "Too few data: the ledger covers 20 days, one lead time is 63. Keep at least the 2 planned "
        "in the lead time."
    )


@pytest.mark.parametrize(
    ("case", "given", "code"),
    [
        ("whole", {}, None),
        ("half, listed", {"is_whole": False, "missing": ["P-1"]}, None),
        ("half, not listed", {"is_whole": False}, "missing_not_listed"),
        ("whole and missing", {"missing": ["P-1"]}, "whole_and_missing"),
        ("foreign part", {"is_whole": False, "missing": ["P-9"]}, "not_in_kit"),
        ("too many", {"quantity": 2}, "more_than_issued"),
    ],
)
def test_a_return_says_what_is_missing(case, given, code):
    facts = {
        "issued": 1,
        "quantity": 1,
        "is_kit": True,
        "is_whole": True,
        "missing": [],
        "part_codes": {"P-1"},
    }
    found = why_not_return(**{**facts, **given})
    assert (found.code if found else None) == code


def test_a_count_is_approved_by_somebody_else():
    assert why_not_approve_count("counted", counted_by=1, approver=2) is None
    assert why_not_approve_count("counted", counted_by=1, approver=1).code == "second_person"
    assert why_not_approve_count("counting", counted_by=None, approver=1).code == "wrong_state"
