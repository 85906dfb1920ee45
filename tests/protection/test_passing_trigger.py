"""A bypass that passes when shut becomes a task: confirmed, with evidence, over when tight again.

Invented pump: liquid at 130 °C, 20 °C around it, time constant of the line 5 h. A day after the
bypass shut a tight line stands below 25 °C.
"""

from datetime import timedelta

import pytest

from tests.factories.due import NOON, act_of, administrator, condition_rule
from tests.factories.protection import plant, protecting, verdict_policy
from tests.factories.readings import GaugeFactory
from valvecare.due.actions import refresh_touched, sweep
from valvecare.due.rules import ConditionBasis, TaskKind
from valvecare.models import (
    ConditionFinding,
    ConditionRule,
    DueItem,
    Event,
    SeriesState,
    Verdict,
    WorkOrder,
)
from valvecare.protection.actions import judge_lines
from valvecare.readings.actions import push_readings
from valvecare.readings.rules import Quantity, Row
from valvecare.work.tasks import run_refresh, run_sweep

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
TASK = TaskKind.BYPASS_ONLY_INSPECTION
UNITS = {
    Quantity.BYPASS_TEMPERATURE: "degC",
    Quantity.INLET_TEMPERATURE: "degC",
    Quantity.AMBIENT_TEMPERATURE: "degC",
    Quantity.MAIN_FLOW: "m3/h",
}


def nothing():
    return None


class Line:
    """A valve whose return line is described, with the four series its judgement needs."""

    def __init__(self):
        verdict_policy()
        self.valve = protecting(plant(), switching_flow_m3_per_h=36.0)
        pump = self.valve.pump
        pump.return_line_heat_loss_w_per_m_k = 0.34
        pump.return_line_time_constant_h = 5.0
        pump.return_sensor_at_m = 10.0
        pump.save()
        self.series = {
            quantity: GaugeFactory(
                pump=pump,
                tag=f"{pump.tag}.{quantity.name}",
                quantity=quantity.value,
                unit=unit,
                resolution=0.01,
            )
            for quantity, unit in UNITS.items()
        }
        self.count = 0

    def push(self, *line_degc, until, flow=86.0):
        """Hourly readings of all four series, the last at `until`; each differs a little."""
        rows = []
        for back, degc in enumerate(reversed(line_degc)):
            self.count += 1
            ripple = 0.01 * (self.count % 7)
            values = {
                Quantity.BYPASS_TEMPERATURE: degc,
                Quantity.INLET_TEMPERATURE: 130.0 + ripple,
                Quantity.AMBIENT_TEMPERATURE: 20.0 + ripple,
                Quantity.MAIN_FLOW: flow + ripple,
            }
            rows += [
                Row(
                    series=self.series[quantity].tag,
                    at=until - back * HOUR,
                    value=value,
                    unit=UNITS[quantity],
                )
                for quantity, value in values.items()
            ]
        push_readings(
            rows,
            actor=administrator(),
            at=until,
            source="invented",
            site=self.valve.pump.group.site.code,
        )

    def a_day_shut(self, degc=21.0):
        """Open by design until a day before noon, then shut; the line as behind a tight valve."""
        self.push(129.0, until=NOON - 27 * HOUR, flow=10.0)
        self.push(*[degc + 0.01 * n for n in range(24)], until=NOON - 3 * HOUR)

    def judged(self, at):
        refresh_touched(at)
        return judge_lines(at, nothing, valve_ids=[self.valve.pk])

    @property
    def item(self):
        return DueItem.objects.filter(valve=self.valve, kind=TASK.value).first()


@pytest.fixture
def line():
    found = Line()
    condition_rule(
        TASK,
        name="bypass passes",
        basis=ConditionBasis.PASSING.value,
        confirm_count=3,
        lead_days=7,
    )
    found.a_day_shut()
    return found


def test_one_bad_reading_raises_nothing_three_in_a_row_raise_the_task_with_evidence(line):
    line.push(95.0, until=NOON)
    assert line.judged(NOON) == set()
    assert not ConditionFinding.objects.exists()
    line.push(96.0, 95.5, until=NOON + 2 * HOUR)
    assert line.judged(NOON + 2 * HOUR) == {line.valve.pk}
    found = ConditionFinding.objects.get()
    assert found.words == (
        "the shut bypass passes: its line is warmer than 24.41 °C, the most behind a tight valve, "
        "in 3 readings in a row since 4 May 2026 (95 to 96 °C) (rule: bypass passes)"
    )
    assert found.evidence["readings"] == 3
    assert found.evidence["observed_fraction"] == pytest.approx(75 / 110, abs=0.001)
    # tight: exp(-27/5); threshold: + 3 * hypot(that * 27/5 * 0.3, 1 K / 110 K)
    assert found.evidence["shut_fraction"] == pytest.approx(0.00452, abs=1e-5)
    assert found.evidence["threshold_fraction"] == pytest.approx(0.03953, abs=1e-4)
    assert line.item.governed_by == "condition"
    assert line.item.due_on == NOON.date() + timedelta(days=7)
    assert Event.objects.filter(type="condition.found", valve=line.valve).count() == 1


def test_a_push_brings_it_into_the_work_in_one_run(line):
    line.push(95.0, 96.0, 95.5, until=NOON)
    counts = run_refresh(NOON, nothing)
    assert counts["raised"] == 1
    order = WorkOrder.objects.get()
    assert (order.kind, order.governed_by) == (TASK.value, "condition")
    assert order.why.startswith("Condition: the shut bypass passes")
    # a cost, not a loss of protection
    assert Verdict.objects.get(valve=line.valve, is_current=True).word == "Protects"


def test_a_whole_look_finds_it_once_a_day_and_says_what_it_saw(line):
    line.push(95.0, 96.0, 95.5, until=NOON)
    run_sweep(NOON, nothing)
    run_sweep(NOON + timedelta(minutes=5), nothing)
    found = ConditionFinding.objects.get()
    assert (found.rule.judged_on, found.rule.judged_counts) == (NOON.date(), {"passes": 1})
    assert WorkOrder.objects.filter(kind=TASK.value).count() == 1


def test_it_is_over_only_after_a_confirmed_run_well_below(line):
    line.push(95.0, 96.0, 95.5, until=NOON)
    line.judged(NOON)
    for step, degc in enumerate((22.0, 95.0, 22.0, 22.0), start=1):
        line.push(degc, until=NOON + step * HOUR)
        assert line.judged(NOON + step * HOUR) == set()
    # below the threshold of 23.2 °C by then, yet not well below it
    line.push(22.4, 22.5, 22.4, until=NOON + 7 * HOUR)
    assert line.judged(NOON + 7 * HOUR) == set()
    line.push(21.0, 21.1, 20.9, until=NOON + 10 * HOUR)
    assert line.judged(NOON + 10 * HOUR) == {line.valve.pk}
    found = ConditionFinding.objects.get()
    assert "the line cools as behind a tight valve in 3 readings" in found.closed_words
    assert line.item is None or line.item.governed_by != "condition"


@pytest.mark.parametrize("quantity", list(UNITS))
def test_a_frozen_sensor_is_no_evidence(line, quantity):
    line.push(95.0, 96.0, 95.5, until=NOON)
    refresh_touched(NOON)
    SeriesState.objects.filter(series=line.series[quantity]).update(
        doubtful_code="frozen", doubtful_words="the same value for days"
    )
    assert judge_lines(NOON, nothing) == set()
    assert not ConditionFinding.objects.exists()
    rule = ConditionRule.objects.get()
    assert rule.judged_counts == {"not_judged": 1}


def test_a_bypass_open_by_design_and_an_old_line_say_nothing(line):
    line.push(95.0, 96.0, 95.5, until=NOON, flow=20.0)
    assert line.judged(NOON) == set()
    line.push(95.0, 96.0, 95.5, until=NOON + 3 * HOUR)
    assert judge_lines(NOON + 30 * HOUR, nothing) == set()
    assert not ConditionFinding.objects.exists()


def test_the_series_restarts_at_an_overhaul(line):
    line.push(95.0, 96.0, 95.5, until=NOON)
    line.judged(NOON)
    act_of(line.valve, NOON + HOUR)
    sweep(NOON + HOUR)
    found = ConditionFinding.objects.get()
    assert "strip-down of 2026-05-04 came after the evidence" in found.closed_words
    # two readings after the act are too few, however many there were before it
    line.push(95.0, 96.0, until=NOON + 3 * HOUR)
    assert line.judged(NOON + 3 * HOUR) == set()
    line.push(95.5, until=NOON + 4 * HOUR)
    assert line.judged(NOON + 4 * HOUR) == {line.valve.pk}
    assert ConditionFinding.objects.filter(closed_at__isnull=True).count() == 1
