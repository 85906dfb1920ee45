"""Faults and bad inputs of ingest, each with its figure (printed, and kept in the test report)."""

import json
import os
import random
import signal
import threading
import time
from datetime import timedelta

import pint
import pytest
from django.core.cache import cache
from django.db import connection, connections
from rest_framework.test import APIClient

from tests.factories.readings import (
    LONG_AFTER,
    GaugeFactory,
    SeriesFactory,
    bearer,
    derived,
    integrator,
    json_row,
    push,
    row,
)
from tests.factories.register import PumpFactory, member
from valvecare.core.permits import Role
from valvecare.models import Pump, Reading, Series, SeriesState, SetAside
from valvecare.readings import actions
from valvecare.readings.rules import MeterEventKind

BULK = "/api/v1/readings/bulk"


def in_parallel(jobs):
    """Run the jobs in threads that start together; the errors they ended with."""
    errors, barrier = [], threading.Barrier(len(jobs))

    def run(job):
        barrier.wait()
        try:
            job()
        except Exception as error:  # noqa: BLE001 reported to the caller
            errors.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return errors


@pytest.mark.django_db(transaction=True)
def test_s01_whole_batches_and_halves_in_parallel(figure):
    """10,000 readings: the whole batch three times, then halves from 8 clients at once."""
    series = [SeriesFactory() for _ in range(20)]
    actor = integrator(*(one.site for one in series))
    rows = [row(one, h / 4, 100 + h / 8) for one in series for h in range(500)]
    for _ in range(3):
        push(rows, actor)
    halves = [rows[:5_000], rows[5_000:]]
    errors = in_parallel([lambda n=n: push(halves[n % 2], actor) for n in range(8)])
    assert errors == []
    stored = Reading.objects.count()
    wrong = abs(stored - 10_000) + sum(
        derived(one)[0][0] != 500 or derived(one)[0][4] != 499 / 8 for one in series
    )
    figure("S-01", "rows lost or doubled", wrong, 10_000)
    assert wrong == 0


@pytest.mark.django_db
def test_s02_conflicts_are_reported_and_never_overwrite(figure):
    series = SeriesFactory()
    actor = integrator(series.site)
    push([row(series, h, 100.0 + h) for h in range(100)], actor)
    result = push([row(series, h, 100.25 + h) for h in range(100)], actor)
    figure("S-02", "conflicts reported", result.counts["conflict"], 100)
    assert result.counts["conflict"] == 100
    values = Reading.objects.order_by("at_us").values_list("value", flat=True)
    assert list(values) == [100.0 + h for h in range(100)]


@pytest.mark.django_db
def test_s04_future_times(figure):
    """+1 min is taken and flagged; +1 h, +10 years and the year 9999 are refused."""
    wrong = 0
    for _ in range(10):
        series = SeriesFactory()
        actor = integrator(series.site)
        now = row(series, 0, 0).at
        ahead = [timedelta(minutes=1), timedelta(hours=1), timedelta(days=3_653)]
        rows = [row(series, 0, 100.0) for _ in range(4)]
        for one, more in zip(rows, ahead, strict=False):
            one.at = now + more
        rows[3].at = now.replace(year=9999)
        verdicts = push(rows, actor, at=now).verdicts()
        found = [(one.status, one.code) for one in verdicts]
        wrong += found[0] != ("created", "ahead_of_clock")
        wrong += sum(one != ("rejected", "future_time") for one in found[1:])
    figure("S-04", "wrong accepts", wrong, 40)
    assert wrong == 0
    assert Reading.objects.count() == 10


S05 = ['"NaN"', "1e999", "-1e999", "1e308", "true", '"1_000"', '"٣"', '"1,5"', "null", "[]", "{}"]


@pytest.mark.django_db
def test_s05_numbers_that_are_none(figure):
    """Each as the value of a counter and of a gauge, one body; the database holds none of them."""
    cache.clear()
    counter = SeriesFactory()
    gauge = GaugeFactory(pump=counter.pump, plausible_min=None, plausible_max=None)
    token = bearer(counter.site)
    bodies = [
        json.dumps({**json_row(row(one, n, 0)), "value": "HERE"}).replace('"HERE"', text)
        for one in (counter, gauge)
        for n, text in enumerate(S05)
    ]
    body = f'{{"rows": [{",".join(bodies)}]}}'.encode()
    answer = APIClient().post(BULK, body, content_type="application/json", **token)
    assert answer.status_code == 200
    rejected = answer.json()["counts"]["rejected"]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM valvecare_reading "
            "WHERE value IS NULL OR NOT (value > -1e300 AND value < 1e300)"
        )
        stored = cursor.fetchone()[0]
    figure("S-05", "accepted", len(bodies) - rejected + stored, len(bodies))
    assert rejected == len(bodies)
    assert stored == Reading.objects.count() == 0


@pytest.mark.django_db
def test_s06_counters_through_faults(figure):
    """Eight counters, each with a fault and a jump of 10^9: error 0.0 h, all jumps set aside."""
    true_gain = 72.0
    cases = {
        "sound": [(0, 100.0), (24, 124.0), (48, 148.0), (72, 172.0)],
        "negative": [(0, 100.0), (24, 124.0), (36, -5.0), (48, 148.0), (72, 172.0)],
        "decrease of 1 h": [(0, 100.0), (24, 124.0), (24.5, 123.0), (48, 148.0), (72, 172.0)],
        "zero of a restart": [(0, 100.0), (24, 124.0), (25, 0.0), (48, 148.0), (72, 172.0)],
        "roll-over": [(0, 99_950.0), (24, 99_974.0), (48, 99_998.0), (72, 22.0)],
        "replaced by 0": [(0, 41_200.0), (24, 41_224.0), (48, 12.0), (72, 36.0)],
        "replaced by a used one": [(0, 100.0), (24, 124.0), (48, 50_012.0), (72, 50_036.0)],
        "idle for a day": [(0, 100.0), (24, 124.0), (48, 124.0), (96, 172.0)],
    }
    events = {
        "replaced by 0": (41_236.0, 0.0),
        "replaced by a used one": (136.0, 50_000.0),
    }
    errors, quarantined = {}, 0
    for case, points in cases.items():
        modulus = 100_000.0 if case == "roll-over" else None
        series = SeriesFactory(rollover_modulus=modulus)
        actor = integrator(series.site)
        for hours, value in points:
            push([row(series, hours, value)], actor)
        push([row(series, points[-1][0] + 1, 1e9 if modulus is None else 60_000.0)], actor)
        if case in events:
            closing, opening = events[case]
            actions.declare_meter_event(
                series.pk,
                kind=MeterEventKind.REPLACED,
                event_at=row(series, 36, 0).at,
                closing_value=closing,
                opening_value=opening,
                actor=member(series.site, Role.TECHNICIAN),
                at=LONG_AFTER,
            )
        found = SeriesState.objects.get(series=series)
        errors[case] = found.accumulated - true_gain
        quarantined += SetAside.objects.filter(
            series=series, state="waiting", code="impossible_jump", at_us__gt=found.last_us
        ).exists()
    figure("S-06", "accumulated-hour error in h", sum(map(abs, errors.values())), 8)
    figure("S-06", "jumps set aside", quarantined, 8)
    assert errors == dict.fromkeys(errors, 0.0)
    assert quarantined == 8


@pytest.mark.django_db
@pytest.mark.parametrize("bad", ["unknown", "other site", "retired"])
def test_s07_one_bad_row_in_a_thousand(bad, figure):
    series = SeriesFactory()
    actor = integrator(series.site)
    rows = [row(series, h / 2, 100 + h / 4) for h in range(1_000)]
    other = {
        "unknown": "NOBODY",
        "other site": SeriesFactory().tag,
        "retired": SeriesFactory(pump=series.pump, retired_at=LONG_AFTER).tag,
    }[bad]
    rows[500].series = other
    before = Series.objects.count(), Pump.objects.count()
    result = push(rows, actor)
    assert (result.counts["created"], result.counts["rejected"]) == (999, 1)
    assert result.verdicts()[500].code in ("unknown_series", "retired_series")
    made = Series.objects.count() - before[0] + Pump.objects.count() - before[1]
    figure("S-07", f"stored ({bad})", result.counts["created"], 999)
    assert made == 0


UNITS = {
    "bar_g": "bar", "bar_a": "bar", "kPa_g": "kPa", "kPa_a": "kPa", "psig": "psi", "psia": "psi",
    "bar": None, "kPa": None, "psi": None, "degC": "degC", "degF": "degF", "K": "kelvin",
    "m3/h": "m**3/h", "L/s": "l/s", "gpm": None, "gal_us/min": "gallon/min", "": None,
    "kg/s": None, "kW": "kW", "hp": None,
}  # fmt: skip
KEPT = {"discharge pressure": ("bar_g", "bar"), "inlet temperature": ("degC", "degC"),
        "main flow": ("m3/h", "m**3/h")}  # fmt: skip
SAME_KIND = {
    "bar_g": {"bar_g", "kPa_g", "psig"},
    "degC": {"degC", "degF", "K"},
    "m3/h": {"m3/h", "L/s", "gal_us/min"},
}


@pytest.mark.django_db
def test_s08_units_are_converted_or_refused_never_misread(figure):
    """60 pairs of kept and sent unit, against a general-purpose unit library (pint)."""
    oracle = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    misread = pairs = 0
    for quantity, (kept, kept_pint) in KEPT.items():
        series = GaugeFactory(quantity=quantity, unit=kept, plausible_min=None, plausible_max=None)
        actor = integrator(series.site)
        for n, (sent, sent_pint) in enumerate(UNITS.items()):
            pairs += 1
            result = push([row(series, n, 321.5, unit=sent)], actor)
            if sent in SAME_KIND[kept]:
                wanted = oracle.Quantity(321.5, sent_pint).to(kept_pint).magnitude
                stored = Reading.objects.filter(series=series).order_by("-at_us").first()
                misread += stored is None or stored.value != pytest.approx(wanted, rel=1e-9)
            else:
                misread += result.counts["rejected"] != 1
    figure("S-08", "silent misreadings", misread, pairs)
    assert pairs == 60
    assert misread == 0


@pytest.mark.django_db(transaction=True)
def test_s11_killed_in_mid_batch_and_sent_again(figure):
    """A process that pushes is killed at a random moment; the client sends again."""
    kills = int(os.environ.get("KILLS", "25"))
    rng = random.Random(11)
    series = [SeriesFactory(pump=PumpFactory()) for _ in range(4)]
    ordered = [SeriesFactory(pump=one.pump) for one in series]
    actor = integrator(*(one.site for one in series))
    batches = [
        [row(one, n * 10 + h / 50, 100 + n * 5 + h / 100) for one in series for h in range(400)]
        for n in range(kills)
    ]
    died = 0
    for batch in batches:
        connections.close_all()
        child = os.fork()
        if child == 0:
            try:
                push(batch, actor)
            finally:
                os._exit(0)
        time.sleep(rng.uniform(0.0, 0.25))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        died += os.WIFSIGNALED(status)
        push(batch, actor)
    rows = sum(len(batch) for batch in batches)
    wrong = abs(Reading.objects.filter(series__in=series).count() - rows)
    for one, twin in zip(series, ordered, strict=True):
        mine = [made for batch in batches for made in batch if made.series == one.tag]
        for made in mine:
            made.series = twin.tag
        push(mine, actor)
        wrong += derived(one) != derived(twin)
    figure("S-11", f"lost or doubled, {died} processes killed,", wrong, rows)
    assert died >= 3, "too few kills came in mid-push to show anything"
    assert wrong == 0


@pytest.mark.django_db
def test_s12_other_tokens_are_not_slowed(figure, monkeypatch):
    """600 pushes of one token at 60 a minute: 540 refused, quickly; another token goes on."""
    cache.clear()
    monkeypatch.setattr("valvecare.readings.api.push.time.time", lambda: 1_800_000_010.0)
    series = SeriesFactory()
    greedy, other = bearer(series.site), bearer(series.site)
    client = APIClient()

    def send(token, hour):
        body = {"rows": [json_row(row(series, hour, 100.0 + hour))]}
        started = time.perf_counter()
        status = client.post(BULK, body, format="json", **token).status_code
        return status, time.perf_counter() - started

    quiet = [send(other, hour) for hour in range(20)]
    statuses, busy = [], []
    for n in range(600):
        statuses.append(send(greedy, 1_000 + n)[0])
        if n % 20 == 19:
            busy.append(send(other, 100 + n // 20))
    assert (statuses.count(200), statuses.count(429)) == (60, 540)
    assert {status for status, _ in quiet + busy} == {200}
    slow = sorted(took for _, took in busy)[len(busy) // 2]
    usual = sorted(took for _, took in quiet)[len(quiet) // 2]
    figure("S-12", "median of the other token in ms", round(slow * 1000), round(usual * 1000))
    assert slow < 2 * usual + 0.05
