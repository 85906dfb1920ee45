"""Judging stored valves: one current answer, confirmed or replaced; capacity kept by its inputs."""

import threading
from datetime import timedelta

import pytest
from django.db import connection

from tests.factories.due import administrator, policy_for
from tests.factories.protection import (
    NOON,
    at,
    caught_up,
    opened,
    plant,
    protecting,
    proven,
    verdict_policy,
)
from tests.factories.register import (
    PumpFactory,
    PumpGroupFactory,
    ValveDesignFactory,
    valve_at,
)
from valvecare.core.events import record
from valvecare.models import (
    DueItem,
    Event,
    EventCursor,
    PlantEvent,
    ProtectionValve,
    Pump,
    Source,
    ValveCapacity,
    Verdict,
)
from valvecare.protection.actions import (
    judge_all,
    judge_touched,
    judge_valves,
    note_release,
)
from valvecare.protection.reads.standing import standing_of, standings
from valvecare.register.actions import change_pump, change_record

pytestmark = pytest.mark.django_db

LATER = NOON + timedelta(minutes=5)


def nothing():
    return None


def current(valve):
    return Verdict.objects.get(valve=valve, is_current=True)


def stand(valve, when=NOON):
    return standing_of(standings(administrator(), when).get(pk=valve.pk))


@pytest.fixture
def valve():
    verdict_policy()
    return protecting()


def test_a_sound_valve_protects_and_everything_is_stored(valve):
    done = judge_valves([valve.pk], NOON)
    assert (done.judged, done.changed) == (1, 1)
    row = current(valve)
    assert (row.word, row.code, row.rule_version) == ("Protects", "proven", "verdict 4")
    assert row.facts["tests"][0]["flow_m3_per_h"] == 30.0
    assert row.facts["due"][0]["kind"] == "strip-down"
    assert row.margin_share == pytest.approx(0.98 * 30 / 27 - 1)
    assert row.until is not None


def test_the_same_answer_is_confirmed_not_written_again(valve):
    judge_valves([valve.pk], NOON)
    done = judge_valves([valve.pk], LATER)
    assert (done.judged, done.changed) == (1, 0)
    row = Verdict.objects.get(valve=valve)
    assert (row.judged_at, row.confirmed_at, row.updated_at) == (NOON, LATER, NOON)


def test_moved_dates_bring_the_row_up_to_date_without_a_new_answer(valve):
    judge_valves([valve.pk], NOON)
    item = DueItem.objects.get(valve=valve, kind="strip-down")
    moved = item.likely_on + timedelta(days=3)
    DueItem.objects.filter(pk=item.pk).update(likely_on=moved)
    assert judge_valves([valve.pk], LATER).changed == 0
    row = Verdict.objects.get(valve=valve)
    assert (row.until, row.judged_at, row.updated_at) == (moved, NOON, LATER)


def test_a_new_answer_is_a_new_row_and_the_old_one_stays(valve):
    judge_valves([valve.pk], NOON)
    proven(valve, "2026-05-04", bypass_flow_m3_per_h=21.0, result="fail", done_at=NOON)
    assert judge_valves([valve.pk], LATER).changed == 1
    old, new = Verdict.objects.filter(valve=valve).order_by("judged_at")
    assert (old.word, old.is_current, old.confirmed_at) == ("Protects", False, NOON)
    assert (new.word, new.is_current, new.judged_at) == ("Does not protect", True, LATER)


def test_a_proof_does_not_move_with_the_valve_to_another_pump(valve):
    """30 m3/h measured at one pump say nothing of the head of another."""
    judge_valves([valve.pk], NOON)
    assert current(valve).word == "Protects"
    other = PumpFactory(group=valve.pump.group, with_curve=True)
    who = {"actor": administrator(), "at": LATER}
    change_record(ProtectionValve, valve.pk, {"pump": other}, version=valve.version, **who)
    judge_valves([valve.pk], LATER)
    row = current(valve)
    assert (row.word, row.code, row.since) == ("Doubtful", "not_proven_here", LATER.date())
    assert row.reason == f"Stands at {other.tag} since 4 May 2026 and has not been proven there."
    proven(valve, "2026-05-05", done_at=LATER + timedelta(days=1))
    judge_valves([valve.pk], LATER + timedelta(days=1))
    assert current(valve).word == "Protects"


@pytest.mark.parametrize(("result", "word"), [("pass", "Doubtful"), ("fail", "Does not protect")])
def test_years_on_the_shelf_outdate_a_pass_but_not_a_failure(valve, result, word):
    proven(valve, "2026-05-03", result=result, bypass_flow_m3_per_h=None, uncertainty_share=None,
           required_m3_per_h=None, method="with the pump, no flow measured")  # fmt: skip
    who = {"actor": administrator(), "at": NOON}
    spare = change_record(
        ProtectionValve, valve.pk, {"status": "spare"}, version=valve.version, **who
    )
    assert spare.placed_at is None
    back = change_record(
        ProtectionValve,
        valve.pk,
        {"status": "in service"},
        version=spare.version,
        actor=administrator(),
        at=LATER,
    )
    assert back.placed_at == LATER
    judge_valves([valve.pk], LATER)
    assert current(valve).word == word
    assert "not_proven_here" in {ground["code"] for ground in current(valve).grounds}


def test_a_valve_out_of_service_is_not_judged(valve):
    ProtectionValve.objects.filter(pk=valve.pk).update(status="spare")
    assert judge_valves([valve.pk], NOON).judged == 0
    assert not Verdict.objects.exists()


def test_without_a_verdict_policy_nothing_is_called_protected():
    valve = protecting()
    judge_valves([valve.pk], NOON)
    assert current(valve).code == "no_verdict_policy"


def test_the_capacity_is_computed_once_and_again_when_an_input_changes(valve, monkeypatch):
    from valvecare.protection.actions import judge as module

    calls = []
    real = module.capacity_of
    monkeypatch.setattr(module, "capacity_of", lambda facts: calls.append(1) or real(facts))
    judge_valves([valve.pk], NOON)
    judge_valves([valve.pk], LATER)
    assert len(calls) == 1
    before = ValveCapacity.objects.get(valve=valve)
    ProtectionValve.objects.filter(pk=valve.pk).update(bypass_kv_m3_per_h=2.0)
    judge_valves([valve.pk], LATER)
    after = ValveCapacity.objects.get(valve=valve)
    assert len(calls) == 2
    assert after.inputs_hash != before.inputs_hash
    assert after.result["computed_m3_per_h"] < before.result["computed_m3_per_h"]
    Pump.objects.filter(pk=valve.pump_id).update(duty_flow_m3_per_h=80.0)
    judge_valves([valve.pk], LATER)
    assert len(calls) == 2


def test_equal_pumps_share_one_computation(monkeypatch):
    from valvecare.protection.actions import judge as module

    calls = []
    real = module.capacity_of
    monkeypatch.setattr(module, "capacity_of", lambda facts: calls.append(1) or real(facts))
    verdict_policy()
    design = ValveDesignFactory()
    group = PumpGroupFactory(site=plant())
    pumps = [PumpFactory(group=group, with_curve=True) for _ in range(3)]
    ids = [valve_at(group.site, pump=pump, design=design).pk for pump in pumps]
    judge_valves(ids, NOON)
    assert len(calls) == 1
    assert ValveCapacity.objects.count() == 3


def test_the_number_of_queries_does_not_depend_on_the_fleet(django_assert_num_queries):
    from django.test.utils import CaptureQueriesContext

    verdict_policy()
    site = plant()
    few = [protecting(site).pk for _ in range(2)]
    with CaptureQueriesContext(connection) as first:
        judge_valves(few, NOON)
    many = few + [protecting(site).pk for _ in range(10)]
    with CaptureQueriesContext(connection) as second:
        judge_valves(many, LATER)
    assert len(first) == 21
    assert len(second) <= len(first) + 1  # confirmations beside new rows


def test_a_failure_at_a_sister_counts_until_the_valve_is_looked_into(valve):
    sister = valve_at(valve.site_of(), pump=PumpFactory(group=valve.pump.group))
    opened(sister, "2026-02-10", "failed", words="pin worn", crew="A", seal_lot="L1")
    opened(valve, "2025-07-19", crew="A", seal_lot="L1")
    opened(sister, "2025-07-18", crew="A", seal_lot="L1", origin="earlier")
    judge_valves([valve.pk], NOON)
    row = current(valve)
    assert row.code == "sister_failed"
    assert row.reason.endswith("Shared: crew A, seal lot L1, consecutive days.")
    opened(valve, "2026-03-01")
    proven(valve, "2026-03-02")
    judge_valves([valve.pk], LATER)
    assert current(valve).word == "Protects"


def test_a_corrected_grade_of_a_sister_is_no_failure(valve):
    sister = valve_at(valve.site_of(), pump=PumpFactory(group=valve.pump.group))
    opened(sister, "2026-02-10", "failed", origin="WO revision 1")
    opened(sister, "2026-02-10", "worse", origin="WO revision 2")
    judge_valves([valve.pk], NOON)
    assert current(valve).word == "Protects"


def test_a_failed_function_test_of_a_sister_counts(valve):
    sister = valve_at(valve.site_of(), pump=PumpFactory(group=valve.pump.group))
    proven(sister, "2026-02-10", result="fail", words="fail for holding")
    judge_valves([valve.pk], NOON)
    assert current(valve).reason == (
        f"Sister {sister.tag} failed on 10 Feb 2026: function test failed for holding."
    )


def test_a_reverse_rotation_after_the_proof_counts(valve):
    source = Source.objects.create(name="invented gateway")
    for day, speed in (("2025-09-01", 90), ("2026-04-19", 180)):
        PlantEvent.objects.create(
            pump=valve.pump,
            kind="reverse rotation",
            at=at(day),
            speed_rpm=speed,
            duration_s=14,
            source=source,
            recorded_at=NOON,
        )
    judge_valves([valve.pk], NOON)
    row = current(valve)
    assert [ground["code"] for ground in row.grounds] == ["closing_in_doubt"]
    assert "180 rpm backwards for 14 s" in row.reason


def test_a_release_ends_with_the_next_test(valve):
    who = administrator()
    opened(valve, "2026-03-01")
    note_release(
        valve,
        until=NOON.date() + timedelta(days=10),
        restriction="load above 30 m³/h",
        words="kit late",
        origin="WO-1",
        actor=who,
        at=at("2026-03-02"),
    )
    judge_valves([valve.pk], NOON)
    row = current(valve)
    assert [g["code"] for g in row.grounds] == ["opened_after_proof", "released_provisionally"]
    assert "Load above 30 m³/h." in row.restriction
    proven(valve, "2026-03-03")
    judge_valves([valve.pk], LATER)
    assert current(valve).word == "Protects"


# what an event does: stale at once, judged again by the job (S-65)


def test_a_later_correction_makes_the_verdict_stale_at_once_and_it_is_judged_again(valve):
    judge_valves([valve.pk], NOON)
    assert stand(valve).word == "Protects"
    change_record(
        ProtectionValve,
        valve.pk,
        {"serial": "SER-OTHER"},
        version=valve.version,
        actor=administrator(),
        at=NOON,
        reason="misread plate",
    )
    stale = stand(valve)
    assert (stale.word, stale.is_stale, stale.code) == ("Not known", True, "being_judged_again")
    assert stale.until is None
    assert stale.reason.startswith("A fact has changed since it was judged; it is being judged")
    judge_touched(LATER, nothing)
    fresh = stand(valve, LATER)
    assert (fresh.word, fresh.is_stale) == ("Protects", False)


def test_a_corrected_curve_is_judged_with_the_new_numbers(valve):
    judge_valves([valve.pk], NOON)
    pump = valve.pump
    change_pump(
        pump.pk,
        {"stable_min_flow_m3_per_h": 40.0},
        version=pump.version,
        actor=administrator(),
        at=NOON,
        reason="maker's letter",
        correction=True,
    )
    assert stand(valve).is_stale
    judge_touched(LATER, nothing)
    assert (current(valve).word, current(valve).code) == ("Does not protect", "test_failed")


def test_an_event_at_a_sister_touches_the_whole_group_and_no_other(valve):
    sister = valve_at(valve.site_of(), pump=PumpFactory(group=valve.pump.group))
    other = protecting(valve.site_of())
    judge_all(NOON, nothing)
    caught_up()
    record("function_test.recorded", sister, actor=None, at=NOON)
    assert stand(valve).is_stale
    assert not stand(other).is_stale
    assert judge_touched(LATER, nothing).judged == 2


def test_a_new_policy_touches_everything(valve):
    other = protecting()
    judge_all(NOON, nothing)
    caught_up()
    policy_for(valve=other, months=12, kind="function test")
    assert stand(valve).is_stale
    assert judge_touched(LATER, nothing).judged == 2
    assert not stand(valve, LATER).is_stale


def test_progress_of_an_order_touches_nothing(valve):
    judge_valves([valve.pk], NOON)
    before = Event.objects.count()
    Event.objects.create(
        at=NOON,
        type="work_order.agreed",
        valve=valve,
        object_type="workorder",
        object_id="1",
        object_name="WO",
        actor_name="x",
    )
    assert Event.objects.count() == before + 1
    assert not stand(valve).is_stale


def test_the_cursor_stays_behind_events_that_may_still_be_committing(valve):
    judge_valves([valve.pk], NOON)
    record("valve.noted", valve, actor=None, at=NOON)
    judge_touched(LATER, nothing)
    assert not EventCursor.objects.exists() or EventCursor.objects.get().event_id == 0
    Event.objects.update(recorded_at=NOON - timedelta(days=400))
    judge_touched(LATER, nothing)
    newest = Event.objects.order_by("-id").first().id
    assert EventCursor.objects.get().event_id == newest
    assert judge_touched(LATER, nothing).judged == 0


def test_a_verdict_nobody_confirms_or_whose_end_has_passed_is_not_shown_as_valid(valve):
    judge_valves([valve.pk], NOON)
    assert not stand(valve, NOON + timedelta(hours=23)).is_stale
    assert stand(valve, NOON + timedelta(hours=25)).word == "Not known"
    Verdict.objects.update(until=NOON.date() - timedelta(days=1))
    assert stand(valve).word == "Not known"


def test_a_stale_failure_stays_a_failure(valve):
    proven(valve, "2026-05-01", bypass_flow_m3_per_h=21.0, result="fail")
    judge_valves([valve.pk], NOON)
    record("valve.noted", valve, actor=None, at=NOON)
    found = stand(valve)
    assert (found.word, found.is_stale, found.code) == ("Does not protect", True, "test_failed")
    assert found.restriction


def test_a_valve_nobody_judged_is_not_known(valve):
    found = stand(valve)
    assert (found.word, found.code, found.is_judged) == ("Not known", "not_judged_yet", False)


@pytest.mark.django_db(transaction=True)
def test_two_judges_at_once_leave_one_current_answer():
    verdict_policy()
    site = plant()
    ids = [protecting(site).pk for _ in range(5)]
    errors = []

    def run(seconds):
        try:
            for turn in range(4):
                judge_valves(ids, NOON + timedelta(seconds=seconds + turn))
        except Exception as error:  # noqa: BLE001 reported by the assertion
            errors.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(n * 10,)) for n in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert errors == []
    assert Verdict.objects.filter(is_current=True).count() == 5
    assert Verdict.objects.count() == 5
