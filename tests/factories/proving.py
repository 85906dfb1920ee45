"""A guided function test at an invented feed pump: gauges, limits, readings that pass."""

from datetime import date, datetime, timedelta
from typing import Any

from tests.factories.register import PumpFactory, SiteFactory, valve_at
from tests.factories.work import GaugeFactory, Job, WorkOrderFactory
from valvecare.models import TestPolicy, TestReading, TestRun
from valvecare.proving.actions import answer_step, begin_test, finish_test, record_readings
from valvecare.proving.rules import AbortLimit, LineUp
from valvecare.work.rules import OrderKind
from valvecare.work.rules.test_steps import Watched

METER = "meter in the bypass line"
GAUGES: dict[str, tuple[str, float, float, str, float, dict[str, float]]] = {
    "FM-01": ("flow meter", 0, 500, "m³/h", 0.1, {"uncertainty_share": 0.02}),
    "CM-01": ("clamp-on flow meter", 1, 500, "m³/h", 0.1, {"uncertainty_share": 0.06}),
    "TH-01": ("thermometer", 0, 200, "°C", 0.01, {"uncertainty": 0.2}),
    "TH-02": ("thermometer", 0, 200, "°C", 0.01, {"uncertainty": 0.2}),
    "TH-03": ("thermometer", 0, 200, "°C", 0.01, {"uncertainty": 0.2}),
    "PG-01": ("pressure gauge", -1, 25, "bar g", 0.01, {"uncertainty": 0.05}),
    "PG-02": ("pressure gauge", 0, 160, "bar g", 0.05, {"uncertainty": 0.2}),
    "PM-01": ("power meter", 0, 1000, "kW", 0.1, {"uncertainty_share": 0.02}),
    "SP-01": ("speed meter", 0, 6000, "1/min", 1, {"uncertainty": 2}),
    "SW-01": ("stopwatch", 0, 36000, "s", 0.1, {"uncertainty": 0.5}),
    "VM-01": ("vibration meter", 0, 100, "mm/s", 0.1, {"uncertainty_share": 0.1}),
    "AM-01": ("ammeter", 0, 800, "A", 0.5, {"uncertainty_share": 0.02}),
    "LG-01": ("level gauge", -10, 10, "m", 0.001, {"uncertainty": 0.004}),
}
LINE_UP = LineUp(True, True, True, True, "stopped, automatic start locked", False)
LIMITS = {
    Watched.RISE: AbortLimit(12.0),
    Watched.VIBRATION: AbortLimit(7.1),
    Watched.PULSATION: AbortLimit(None, "no fast gauge at hand"),
    Watched.NOISE: AbortLimit(None, "listened by ear"),
    Watched.CURRENT: AbortLimit(420.0),
}


def policy(**given: Any) -> TestPolicy:
    """The owner's limits of the tests."""
    return TestPolicy.objects.create(
        **{
            "switching_band_share": 0.15,
            "head_band_share": 0.03,
            "leak_limit_share": 0.1,
            "reverse_swing_limit_s": 3.0,
            "header_decay_limit_bar": 2.0,
            "closed_in_share": 0.5,
            "probability": 0.975,
            "steady_k_per_min": 0.1,
            "steady_after_min": 5.0,
            "source": "invented",
            "owner": "engineer",
            "valid_from": date(2020, 1, 1),
            **given,
        }
    )


def certified_gauges(site: Any) -> None:
    for code, (kind, low, high, unit, step, more) in GAUGES.items():
        GaugeFactory(
            site=site,
            code=code,
            kind=kind,
            range_low=low,
            range_high=high,
            unit=unit,
            step=step,
            **more,
        )


class Guided(Job):
    """A function test order under way at an identified valve, with the as-found record."""

    run: TestRun

    @classmethod
    def new(cls, *, site: Any = None, installed: int = 3, with_policy: bool = True) -> "Guided":
        """At the site NH, or at `site`; a group of so many pumps."""
        site = site or SiteFactory(code="NH", time_zone="Europe/Oslo")
        type(site).objects.filter(pk=site.pk).update(atmospheric_pressure_bar_a=1.013)
        pump = PumpFactory(
            group__site=site,
            group__code="NH-FT",
            group__installed=installed,
            group__needed=1,
            with_curve=True,
            tag="NH-FT-1P",
        )
        valve = valve_at(
            site,
            tag="NH-FT-1V",
            pump=pump,
            bypass_kv_m3_per_h=3.3,
            design_bypass_flow_m3_per_h=30.0,
            switching_flow_m3_per_h=36.0,
        )
        certified_gauges(site)
        if with_policy:
            policy()
        kind = OrderKind.FUNCTION_TEST.value
        job = cls(site, WorkOrderFactory(valve=valve, kind=kind))
        job.to_under_way().as_found()
        return job

    def begin(self, **given: Any) -> "Guided":
        given = {
            "instruments": list(GAUGES),
            "abort_limits": LIMITS,
            "line_up": LINE_UP,
            **given,
        }
        method = given.pop("method", METER)
        self.run = begin_test(
            self.order.pk,
            method,
            version=self.order.version,
            actor=self.technician,
            at=self.tick(),
            **given,
        )
        self.order.refresh_from_db()
        return self

    def read(self, rows: list[dict[str, Any]], *, key: str = "", **given: Any) -> Any:
        at: datetime = self.tick()
        return record_readings(
            self.run.pk,
            rows,
            key=key or f"k{at.timestamp():.0f}",
            actor=self.technician,
            at=at,
            **given,
        )

    def answer(self, step: str, because: str = "no second pump may run today") -> None:
        answer_step(self.run.pk, step, because, actor=self.technician, at=self.tick())

    def finish(self, **given: Any) -> TestRun:
        self.order.refresh_from_db()
        self.run = finish_test(
            self.run.pk,
            version=self.order.version,
            actor=self.technician,
            at=self.tick(),
            **given,
        )
        self.order.refresh_from_db()
        return self.run

    def read_all(self, *, leave: tuple[str, ...] = (), **changed: float) -> "Guided":
        for step, rows in passing(self.at, **changed).items():
            if step not in leave and step not in self.run.not_applicable:
                self.at += timedelta(minutes=8 if step == "T1" else 0)
                results = self.read(rows, key=step)
                assert [r.status for r in results] == ["created"] * len(rows), results
        return self

    def count(self) -> int:
        return TestReading.objects.filter(run=self.run).count()


def one(step: str, quantity: str, value: float, gauge: str = "", **more: Any) -> dict[str, Any]:
    return {"step": step, "quantity": quantity, "value": value, "gauge": gauge, **more}


def stops(step: str, flows: list[tuple[float, float]]) -> list[dict[str, Any]]:
    """Main and bypass flow at each stop, both read from meters."""
    rows = []
    for number, (main, bypass) in enumerate(flows, 1):
        rows.append(one(step, "main flow", main, "FM-01", stop=number))
        rows.append(one(step, "bypass flow", bypass, "FM-01", stop=number))
    return rows


OPENING = [(0.0, 30.0), (12.0, 28.0), (24.0, 16.0), (36.0, 0.0), (50.0, 0.0)]


def passing(begun: datetime, **changed: float) -> dict[str, list[dict[str, Any]]]:
    """Readings of the invented pump with which every step passes; `changed` by quantity."""
    flow = changed.get("bypass_flow", 30.0)
    t1 = begun + timedelta(minutes=2)
    return {
        "T0": [one("T0", "joints tight", 1)],
        "T1": [
            one("T1", "temperature at the pump outlet", 134.9, "TH-02", read_at=t1),
            one(
                "T1",
                "temperature at the pump outlet",
                135.0,
                "TH-02",
                read_at=t1 + timedelta(minutes=2),
            ),
            one("T1", "bypass flow", flow, "FM-01"),
            one("T1", "temperature at the pump inlet", 130.0, "TH-01"),
            one("T1", "temperature in the return line", 134.6, "TH-03"),
            one("T1", "suction pressure", 3.0, "PG-01"),
            one("T1", "discharge pressure", 80.6, "PG-02"),
            one("T1", "pressure at the bypass outlet", 3.3, "PG-01"),
            one("T1", "speed", 2970, "SP-01"),
            one("T1", "cavitation noise", 0),
            one("T1", "vibration", changed.get("vibration", 2.8), "VM-01"),
        ],
        "T2": [
            *stops("T2", OPENING),
            one("T2", "main flow at which the bypass shuts", changed.get("shuts", 36.0), "FM-01"),
        ],
        "T3": [
            one("T3", "main flow", 86.0, "FM-01"),
            one("T3", "suction pressure", 3.0, "PG-01"),
            one("T3", "discharge pressure", changed.get("rated", 70.1), "PG-02"),
            one("T3", "bypass flow", 0.0, "FM-01"),
            one("T3", "rattle at the valve", 0),
        ],
        "T4": [
            *stops("T4", list(reversed(OPENING))),
            one("T4", "main flow at which the bypass opens", changed.get("opens", 34.0), "FM-01"),
        ],
        "T5": [
            one("T5", "time turning backwards", changed.get("swing", 0.0), "SW-01"),
            one("T5", "slam", changed.get("slam", 0)),
            one("T5", "fall of the header pressure", 0.3, "PG-02"),
        ],
        "T6": [one("T6", "flow through the pump", changed.get("weaker", 31.0), "FM-01")],
    }
