"""Changing a pump: what moves the date from which computed evidence counts."""

from datetime import UTC, date, datetime

import pytest

from tests.factories.register import CURVE, PumpFactory, SiteFactory, UserFactory, member
from valvecare.core.errors import Conflict, Forbidden, NotFound, Refused
from valvecare.core.permits import Role
from valvecare.models import Event, Pump
from valvecare.register.actions import change_pump, set_curve
from valvecare.register.actions.pumps import curve_of

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 22, 30, tzinfo=UTC)
"""Already the fifth of May at a site in Oslo."""


@pytest.fixture
def pump():
    return PumpFactory(group__site=SiteFactory(time_zone="Europe/Oslo"), with_curve=True)


@pytest.fixture
def engineer(pump):
    return member(pump.site_of(), Role.RELIABILITY_ENGINEER)


def test_a_trimmed_impeller_moves_the_evidence_date(pump, engineer):
    Pump.objects.filter(pk=pump.pk).update(impeller_diameter_mm=310.0)
    changed = change_pump(
        pump.pk,
        {"impeller_diameter_mm": 300.0},
        version=1,
        actor=engineer,
        at=AT,
        reason="trimmed for the new duty",
    )
    assert changed.hydraulics_changed_on == date(2026, 5, 5)
    assert changed.hydraulics_change == "impeller_diameter_mm: trimmed for the new duty"
    assert pump.history.first().history_change_reason == "trimmed for the new duty"


@pytest.mark.parametrize(
    ("case", "changes"),
    [
        ("speed", {"speed_rpm": 1480.0}),
        ("return line", {"return_line_dn": 40}),
        ("where it returns to", {"returns_to": "suction pipe"}),
        ("back pressure", {"back_pressure_bar_g": 5.0}),
    ],
)
def test_hydraulics_need_a_reason_and_nothing_is_written_without(case, changes, pump, engineer):
    with pytest.raises(Refused) as refused:
        change_pump(pump.pk, changes, version=1, actor=engineer, at=AT)
    assert str(refused.value) == (
        f"Changing {next(iter(changes))} moves what counts as evidence that the pump is "
        "protected. Give the reason of the change."
    )
    pump.refresh_from_db()
    assert (pump.version, pump.hydraulics_changed_on, Event.objects.count()) == (1, None, 0)


def test_filling_in_what_was_not_known_is_no_change_of_the_machine(pump, engineer):
    Pump.objects.filter(pk=pump.pk).update(return_line_dn=None)
    changed = change_pump(pump.pk, {"return_line_dn": 50}, version=1, actor=engineer, at=AT)
    assert (changed.return_line_dn, changed.hydraulics_changed_on) == (50, None)


def test_a_correction_keeps_the_date_but_needs_the_reason(pump, engineer):
    changes = {"speed_rpm": 2980.0}
    with pytest.raises(Refused):
        change_pump(pump.pk, changes, version=1, actor=engineer, at=AT, correction=True)
    changed = change_pump(
        pump.pk, changes, version=1, actor=engineer, at=AT, correction=True, reason="misread plate"
    )
    assert (changed.speed_rpm, changed.hydraulics_changed_on) == (2980.0, None)
    assert Event.objects.get().words == f"{pump}: speed_rpm corrected."


def test_a_new_curve_replaces_the_old_one_with_its_source(pump, engineer):
    points = [(100.0, 70.0, 30.0), (0.0, 90.0, 12.0), (50.0, 85.0, None)]
    changed = set_curve(
        pump.pk,
        points,
        source="works test 2026",
        speed_rpm=2960.0,
        density_kg_per_m3=998.0,
        version=1,
        actor=engineer,
        at=AT,
        reason="impeller trimmed",
        changed_on=date(2026, 4, 20),
    )
    assert curve_of(changed) == ((0.0, 90.0, 12.0), (50.0, 85.0, None), (100.0, 70.0, 30.0))
    assert (changed.curve_source, changed.version) == ("works test 2026", 2)
    assert changed.hydraulics_changed_on == date(2026, 4, 20)
    event = Event.objects.get()
    assert event.data["changes"]["curve"]["from"] == [list(point) for point in CURVE]


@pytest.mark.parametrize(
    ("case", "points", "code", "words"),
    [
        ("one point", [(0.0, 90.0, None)], "curve_too_short", "two or more points, not 1"),
        (
            "same flow twice",
            [(0.0, 90.0, None), (0.0, 80.0, None)],
            "curve_flow_twice",
            "The flow 0 m³/h occurs more than once",
        ),
        (
            "negative head",
            [(0.0, 90.0, None), (10.0, -1.0, None)],
            "curve_point_insane",
            "head_m -1 at flow 10 m³/h is not above 0",
        ),
        (
            "not a number",
            [(0.0, 90.0, None), (10.0, float("nan"), None)],
            "curve_point_insane",
            "head_m nan at flow 10 m³/h",
        ),
    ],
)
def test_an_insane_curve_is_refused(case, points, code, words, pump, engineer):
    with pytest.raises(Refused) as refused:
        change_pump(
            pump.pk, {}, points=points, version=1, actor=engineer, at=AT, reason="new curve"
        )
    assert refused.value.code == code
    assert words in str(refused.value)
    assert curve_of(pump) == tuple(CURVE)


def test_the_planner_changes_the_plain_facts_the_owner_the_hydraulics(pump):
    planner = member(pump.site_of(), Role.PLANNER)
    owner = member(pump.site_of(), Role.PUMP_OWNER)
    kept = change_pump(pump.pk, {"role": "standby"}, version=1, actor=planner, at=AT)
    assert kept.role == "standby"
    with pytest.raises(Forbidden):
        change_pump(pump.pk, {"speed_rpm": 1.0}, version=2, actor=planner, at=AT, reason="x")
    with pytest.raises(Forbidden):
        change_pump(pump.pk, {"tag": "P-X"}, version=2, actor=owner, at=AT)
    change_pump(pump.pk, {"speed_rpm": 2900.0}, version=2, actor=owner, at=AT, reason="gear")
    pump.refresh_from_db()
    assert (pump.speed_rpm, pump.version) == (2900.0, 3)


def test_stale_stranger_and_no_change(pump, engineer):
    with pytest.raises(Conflict):
        change_pump(pump.pk, {"tag": "P-X"}, version=2, actor=engineer, at=AT)
    with pytest.raises(NotFound):
        change_pump(pump.pk, {"tag": "P-X"}, version=1, actor=UserFactory(), at=AT)
    kept = change_pump(pump.pk, {"tag": pump.tag}, version=1, actor=engineer, at=AT)
    assert (kept.tag, Event.objects.count(), pump.history.count()) == (pump.tag, 0, 1)
