"""The invented demo fleet from acts and pushed readings to shares and governing limits.

Source of the expected values: the published table of the demo world (fixtures/demo/valves.csv),
computed outside this code base; its shares have two decimals.
"""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from tests.factories.due import administrator
from valvecare.due.actions import restart_clocks, set_policy, sweep
from valvecare.due.rules import DueState, TaskKind, Trigger
from valvecare.models import (
    DueItem,
    ProtectionValve,
    Pump,
    PumpGroup,
    Series,
    SeriesState,
    Site,
    ValveDesign,
)
from valvecare.project.demo.shape import (
    INSPECTED_AT,
    REPLACED,
    counters,
    local,
    records,
    table,
)
from valvecare.readings.actions import declare_meter_event, push_readings
from valvecare.readings.rules import MeterEventKind, Quantity, Row, SeriesKind

pytestmark = pytest.mark.django_db

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
TABLE = {row["valve"]: row for row in table("valves")}
KNOWN = {tag: row for tag, row in TABLE.items() if row["share_used"]}


def _register():
    sites = {row["code"]: Site.objects.create(**row) for row in records("sites")}
    groups = {
        row["code"]: PumpGroup.objects.create(**{**row, "site": sites[row["site"]]})
        for row in records("groups")
    }
    for row in TABLE.values():
        pump = Pump.objects.create(group=groups[row["group"]], tag=row["pump"], role=row["role"])
        design, _ = ValveDesign.objects.get_or_create(
            code=row["design"],
            variant=row["variant"],
            dn=int(row["dn"]),
            revision=row["revision"] or "not known",
            defaults={"bypass_dn": int(row["bypass_dn"]), "principle": "invented"},
        )
        ProtectionValve.objects.create(tag=row["valve"], pump=pump, design=design)
    return sites


def _policies():
    for row in records("policies"):
        who = row.pop("who")
        scope = {}
        if "design" in who:
            scope = {"design_code": who["design"][0], "variant": who["design"][1]}
        elif "group" in who:
            scope = {"group": PumpGroup.objects.get(code=who["group"])}
        else:
            scope = {"valve": ProtectionValve.objects.get(tag=who["valve"])}
        set_policy(
            actor=administrator(),
            at=NOON,
            valid_from=date(2020, 1, 1),
            **scope,
            **{**row, "kind": TaskKind(row["kind"])},
        )


def _counter(pump, word, quantity, unit, **more):
    series = Series.objects.create(
        site=pump.group.site,
        pump=pump,
        tag=f"{pump.tag}.{word}",
        quantity=quantity.value,
        kind=SeriesKind.COUNTER.value,
        unit=unit,
        **more,
    )
    SeriesState.objects.get_or_create(series=series)
    return series


def _readings(sites):
    zones = {code: site.time_zone for code, site in sites.items()}
    for one in counters(zones):
        pump = Pump.objects.select_related("group__site").get(tag=one.pump)
        hours = _counter(pump, "HOURS", Quantity.RUN_HOURS, "h", resolution=0.01)
        starts = _counter(
            pump, "STARTS", Quantity.STARTS, "1", resolution=1, max_starts_per_hour=60
        )
        if one.pump in REPLACED:
            day, clock, closing, opening = REPLACED[one.pump]
            declare_meter_event(
                hours.pk,
                kind=MeterEventKind.REPLACED,
                event_at=local(one.zone, day, clock),
                closing_value=closing,
                opening_value=opening,
                actor=administrator(),
                at=NOON,
            )
        for series, values in ((hours, one.run_hours_h), (starts, one.starts)):
            rows = [
                Row(series=series.tag, at=at, value=float(value), unit=series.unit)
                for at, value in zip(one.at, values, strict=True)
            ]
            result = push_readings(
                rows,
                actor=administrator(),
                at=NOON,
                source="invented history",
                site=pump.group.site.code,
            )
            assert result.counts["created"] == len(rows)


def _acts():
    for row in KNOWN.values():
        valve = ProtectionValve.objects.get(tag=row["valve"])
        zone = ZoneInfo(valve.site_of().time_zone)
        restart_clocks(
            valve,
            TaskKind.STRIP_DOWN,
            local(zone, date.fromisoformat(row["last_inspection"]), INSPECTED_AT),
            origin="invented history",
            actor=None,
            at=NOON,
        )


@pytest.fixture(scope="module")
def fleet(django_db_setup, django_db_blocker):
    """The whole demo fleet, once; rolled back after the module."""
    from django.db import transaction

    with django_db_blocker.unblock(), transaction.atomic():
        sites = _register()
        _policies()
        _acts()
        _readings(sites)
        sweep(NOON)
        found = {
            item.valve.tag: item
            for item in DueItem.objects.filter(kind=TaskKind.STRIP_DOWN.value).select_related(
                "valve"
            )
        }
        tests = list(DueItem.objects.filter(kind=TaskKind.FUNCTION_TEST.value))
        transaction.set_rollback(True)
    return found, tests


def test_every_valve_has_one_strip_down_item(fleet):
    items, _ = fleet
    assert len(items) == len(TABLE) == 32


@pytest.mark.parametrize("tag", sorted(KNOWN))
def test_share_and_governing_limit_are_as_published(fleet, tag):
    item, row = fleet[0][tag], TABLE[tag]
    assert item.share_used == pytest.approx(float(row["share_used"]), abs=0.0101)
    assert item.governed_by == row["governed_by"]


@pytest.mark.parametrize("tag", sorted(KNOWN))
def test_amounts_since_the_act_are_as_published(fleet, tag):
    item, row = fleet[0][tag], TABLE[tag]
    used = {limit["trigger"]: limit["used"] for limit in item.details["limits"]}
    assert used[Trigger.RUN_HOURS] == int(row["hours_since"])
    assert used[Trigger.STARTS] == int(row["starts_since"])


def test_the_states_are_as_published(fleet):
    by_state = {}
    for tag, item in fleet[0].items():
        by_state.setdefault(item.state, set()).add(tag)
    assert by_state[DueState.NO_RECORD] == {"AF-CR-2V"}
    assert by_state[DueState.OVERDUE] == {"NH-FW-3V", "AF-FW-3V", "NH-MU-2V", "SM-IN-3V"}
    assert by_state[DueState.COMING_UP] == {
        "NH-DH-3V",
        "NH-BC-2V",
        "AF-CR-1V",
        "AF-PW-3V",
        "NH-FW-1V",
        "SM-HP-4V",
        "AF-FW-1V",
    }
    assert len(by_state[DueState.NOT_YET]) == 20


def test_the_sentence_says_what_governs_and_what_is_next(fleet):
    item = fleet[0]["SM-IN-3V"]
    assert item.reason == (
        "Run-hours, 1.03 of the 12,000 h limit: 12,377 h since the strip-down of 4 Jun 2024; "
        "next calendar, 0.96."
    )


def test_the_valve_without_a_record_says_what_would_make_it_known(fleet):
    item = fleet[0]["AF-CR-2V"]
    assert (item.share_used, item.due_on) == (None, None)
    assert item.reason.startswith("No record: no strip-down, exchange or sister inspection")
    assert "Record the last one with its date" in item.reason


def test_the_limit_of_af_cr_1v_is_reached_about_the_end_of_june(fleet):
    item = fleet[0]["AF-CR-1V"]
    assert date(2026, 6, 29) <= item.due_on <= date(2026, 7, 1)
    assert item.earliest_on <= item.likely_on <= item.latest_on


def test_a_limit_that_is_used_up_was_reached_on_a_day_in_the_past(fleet):
    item = fleet[0]["SM-IN-3V"]
    # 377 h over at about 18 h a day: three weeks before the demo day
    assert date(2026, 4, 10) <= item.due_on <= date(2026, 4, 18)
    assert fleet[0]["NH-FW-3V"].due_on == date(2025, 6, 22)


def test_every_standby_valve_has_a_yearly_function_test(fleet):
    _, tests = fleet
    assert len(tests) == sum(row["role"] == "standby" for row in TABLE.values())
    assert {item.state for item in tests} == {DueState.NO_RECORD.value}
