"""Gather in bulk what verdicts rest on. The number of queries does not depend on the fleet."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q

from valvecare.core.models import NOT_KNOWN
from valvecare.due.models import DueItem
from valvecare.engineering.errors import Refusal
from valvecare.engineering.parallel_pumps import pump_pair_interaction
from valvecare.engineering.units import from_si
from valvecare.protection.models import (
    FunctionTest,
    Inspection,
    LiquidProperties,
    VerdictPolicy,
)
from valvecare.protection.reads.passing import passing_of
from valvecare.protection.rules import (
    Capacity,
    DueFact,
    EventFact,
    Facts,
    Hydraulics,
    InspectionFact,
    PairFact,
    Policy,
    ProofResult,
    SisterFact,
    TestFact,
)
from valvecare.protection.rules.capacity import curve_of, liquid_of
from valvecare.readings.models import PlantEvent, SeriesState
from valvecare.readings.rules import PlantEventKind
from valvecare.register.models import CurvePoint, ProtectionValve, ValveStatus

CLOSING_EVENTS = (PlantEventKind.REVERSE_ROTATION.value, PlantEventKind.WATER_HAMMER.value)

VALVE_COLUMNS = (
    "id",
    "tag",
    "serial",
    "design_id",
    "design__revision",
    "design__liquid_recovery_factor",
    "bypass_kv_m3_per_h",
    "design_bypass_flow_m3_per_h",
    "switching_flow_m3_per_h",
    "pump_id",
    "pump__tag",
    "pump__group_id",
    "pump__group__common_return",
    "pump__group__installed",
    "pump__group__site__time_zone",
    "pump__group__site__atmospheric_pressure_bar_a",
    "pump__medium",
    "pump__curve_source",
    "pump__curve_speed_rpm",
    "pump__curve_density_kg_per_m3",
    "pump__speed_rpm",
    "pump__best_flow_m3_per_h",
    "pump__suction_pressure_bar_g",
    "pump__suction_temperature_degc",
    "pump__returns_to",
    "pump__back_pressure_bar_g",
    "pump__return_static_bar_g",
    "pump__return_line_dn",
    "pump__return_line_heat_loss_w_per_m_k",
    "pump__return_line_time_constant_h",
    "pump__return_sensor_at_m",
    "pump__stable_min_flow_m3_per_h",
    "pump__allowed_rise_k",
    "pump__liquid_volume_m3",
    "pump__metal_mass_kg",
    "pump__motor_efficiency",
    "pump__hydraulics_changed_on",
    "pump__hydraulics_change",
)

Row = Mapping[str, Any]


def policy_on(day: date) -> Policy:
    """The verdict policy in force; raises `LookupError` with what to do when none is set."""
    row = VerdictPolicy.objects.filter(valid_from__lte=day).order_by("-valid_from").first()
    if row is None:
        raise LookupError("No verdict policy is set: add one in the admin (margin, source, owner).")
    return Policy(row.margin_share, row.source, row.owner)


def _rows(ids: Sequence[int]) -> dict[int, Row]:
    rows = ProtectionValve.objects.filter(pk__in=ids).order_by("pk").values(*VALVE_COLUMNS)
    return {row["id"]: row for row in rows}


def _hydraulics(
    row: Row, curve: Sequence[tuple[float, float, float | None]], tables: Mapping[str, Any]
) -> Hydraulics:
    medium = row["pump__medium"]
    return Hydraulics(
        medium=medium,
        table=tables.get(medium),
        curve_m3_per_h_m_kw=tuple(curve),
        curve_source=row["pump__curve_source"],
        curve_speed_rpm=row["pump__curve_speed_rpm"],
        curve_density_kg_per_m3=row["pump__curve_density_kg_per_m3"],
        speed_rpm=row["pump__speed_rpm"],
        best_flow_m3_per_h=row["pump__best_flow_m3_per_h"],
        atmospheric_pressure_bar_a=row["pump__group__site__atmospheric_pressure_bar_a"],
        suction_pressure_bar_g=row["pump__suction_pressure_bar_g"],
        suction_temperature_degc=row["pump__suction_temperature_degc"],
        returns_to=row["pump__returns_to"],
        back_pressure_bar_g=row["pump__back_pressure_bar_g"],
        return_static_bar_g=row["pump__return_static_bar_g"],
        return_line_dn=row["pump__return_line_dn"],
        pumps_on_common=row["pump__group__installed"] if row["pump__group__common_return"] else 1,
        design_bypass_flow_m3_per_h=row["design_bypass_flow_m3_per_h"],
        bypass_kv_m3_per_h=row["bypass_kv_m3_per_h"],
        liquid_recovery_factor=row["design__liquid_recovery_factor"],
        stable_min_flow_m3_per_h=row["pump__stable_min_flow_m3_per_h"],
        allowed_rise_k=row["pump__allowed_rise_k"],
        liquid_volume_m3=row["pump__liquid_volume_m3"],
        metal_mass_kg=row["pump__metal_mass_kg"],
    )


def hydraulics_of(ids: Sequence[int]) -> dict[int, Hydraulics]:
    """Register numbers the capacity of each valve depends on (three queries)."""
    rows = _rows(ids)
    curves: dict[int, list[tuple[float, float, float | None]]] = defaultdict(list)
    points = CurvePoint.objects.filter(pump_id__in={row["pump_id"] for row in rows.values()})
    for pump, flow, head, power in points.order_by("pump_id", "flow_m3_per_h").values_list(
        "pump_id", "flow_m3_per_h", "head_m", "shaft_power_kw"
    ):
        curves[pump].append((flow, head, power))
    tables = {row.name: row.table() for row in LiquidProperties.objects.all()}
    return {
        valve: _hydraulics(row, curves.get(row["pump_id"], ()), tables)
        for valve, row in rows.items()
    }


def _tests(ids: Sequence[int], zones: Mapping[int, ZoneInfo]) -> dict[int, list[TestFact]]:
    found: dict[int, list[TestFact]] = defaultdict(list)
    for row in (
        FunctionTest.objects.filter(valve_id__in=ids)
        .order_by("valve_id", "-done_at", "-id")
        .values()
    ):
        zone = zones[row["valve_id"]]
        found[row["valve_id"]].append(
            TestFact(
                id=row["id"],
                done_at=row["done_at"],
                done_on=row["done_at"].astimezone(zone).date(),
                method=row["method"],
                flow_m3_per_h=row["bypass_flow_m3_per_h"],
                uncertainty_share=row["uncertainty_share"],
                required_m3_per_h=row["required_m3_per_h"],
                result=row["result"],
                restriction=row["restriction"],
                words=row["words"],
            )
        )
    return found


def _inspections(
    ids: Sequence[int], zones: Mapping[int, ZoneInfo]
) -> dict[int, list[tuple[InspectionFact, str, str]]]:
    found: dict[int, list[tuple[InspectionFact, str, str]]] = defaultdict(list)
    for row in (
        Inspection.objects.filter(valve_id__in=ids).order_by("valve_id", "-done_at", "-id").values()
    ):
        fact = InspectionFact(
            id=row["id"],
            done_at=row["done_at"],
            done_on=row["done_at"].astimezone(zones[row["valve_id"]]).date(),
            kind=row["kind"],
            as_found=row["as_found"],
            mode=row["mode"],
            words=row["words"],
        )
        found[row["valve_id"]].append((fact, row["crew"], row["seal_lot"]))
    return found


def _due(ids: Sequence[int]) -> dict[int, list[DueFact]]:
    found: dict[int, list[DueFact]] = defaultdict(list)
    for row in DueItem.objects.filter(valve_id__in=ids, policy__isnull=False).values(
        "valve_id",
        "kind",
        "state",
        "share_used",
        "governed_by",
        "due_on",
        "earliest_on",
        "likely_on",
        "latest_on",
        "reason",
    ):
        found[row["valve_id"]].append(
            DueFact(
                kind=row["kind"],
                state=row["state"],
                share_used=row["share_used"],
                governed_by=row["governed_by"],
                due_on=row["due_on"],
                earliest_on=row["earliest_on"],
                likely_on=row["likely_on"] or row["due_on"],
                latest_on=row["latest_on"],
                sentence=row["reason"],
            )
        )
    return found


def _events(rows: Mapping[int, Row], since: Mapping[int, datetime | None]) -> dict[int, Any]:
    """Events that put closing in doubt, later than the valve's last proof or inspection."""
    valve_of = {row["pump_id"]: valve for valve, row in rows.items()}
    found: dict[int, list[EventFact]] = defaultdict(list)
    for event in (
        PlantEvent.objects.filter(pump_id__in=list(valve_of), kind__in=CLOSING_EVENTS)
        .order_by("-at")
        .values("pump_id", "kind", "at", "speed_rpm", "duration_s", "words")
    ):
        valve = valve_of[event["pump_id"]]
        proven = since.get(valve)
        if proven is not None and event["at"] <= proven:
            continue
        zone = ZoneInfo(rows[valve]["pump__group__site__time_zone"])
        parts = []
        if event["speed_rpm"] is not None:
            parts.append(f"{event['speed_rpm']:.0f} rpm backwards")
        if event["duration_s"] is not None:
            parts.append(f"for {event['duration_s']:.0f} s")
        told = " ".join(parts)
        words = f"{told}. {event['words']}".strip(". ") if told else event["words"]
        found[valve].append(
            EventFact(
                event["kind"],
                event["at"],
                event["at"].astimezone(zone).date(),
                f"{words}." if words else "",
            )
        )
    return found


def _failures(
    tests: Mapping[int, Sequence[TestFact]],
    inspections: Mapping[int, Sequence[tuple[InspectionFact, str, str]]],
) -> dict[int, list[tuple[datetime, date, str]]]:
    found: dict[int, list[tuple[datetime, date, str]]] = defaultdict(list)
    for valve, seen in inspections.items():
        found[valve] += [
            (fact.done_at, fact.done_on, fact.words or fact.mode)
            for fact, *_ in seen
            if fact.failed
        ]
    for valve, done in tests.items():
        found[valve] += [
            (test.done_at, test.done_on, test.words or "function test failed")
            for test in done
            if test.result == ProofResult.FAIL
        ]
    return found


def _shared(
    mine: Sequence[tuple[InspectionFact, str, str]],
    theirs: Sequence[tuple[InspectionFact, str, str]],
    failed_at: datetime,
) -> tuple[str, ...]:
    """What the sisters' last routine work had in common: crew, seal lot, consecutive days."""
    before = [seen for seen in theirs if seen[0].done_at < failed_at]
    if not mine or not before:
        return ()
    (own, crew, lot), (other, their_crew, their_lot) = mine[0], before[0]
    shared = []
    if crew and crew == their_crew:
        shared.append(f"crew {crew}")
    if lot and lot == their_lot:
        shared.append(f"seal lot {lot}")
    if abs(own.done_on - other.done_on) <= timedelta(days=2):
        shared.append("consecutive days")
    return tuple(shared)


def _pairs(rows: Mapping[int, Row], hydraulics: Mapping[int, Hydraulics]) -> dict[int, PairFact]:
    """For each group, which pump is pushed shut by the strongest one, and below which flow."""
    groups: dict[int, list[int]] = defaultdict(list)
    for valve, row in rows.items():
        groups[row["pump__group_id"]].append(valve)
    found: dict[int, PairFact] = {}
    for members in groups.values():
        if len({hydraulics[valve].curve_m3_per_h_m_kw for valve in members}) < 2:
            continue
        curves = {}
        for valve in members:
            try:
                curves[valve] = curve_of(hydraulics[valve], liquid_of(hydraulics[valve]))
                curves[valve].shutoff_head()
            except Refusal:
                curves.pop(valve, None)
        if len(curves) < 2:
            continue
        strongest = max(curves, key=lambda valve: curves[valve].shutoff_head())
        for valve, curve in curves.items():
            if curve.shutoff_head() >= curves[strongest].shutoff_head():
                continue
            try:
                pair = pump_pair_interaction(
                    curves[strongest], curve, weaker_bypass_flow_m3_per_s=0.0
                )
            except Refusal:
                continue
            found[valve] = PairFact(
                stronger=rows[strongest]["pump__tag"],
                limit_m3_per_h=from_si("volume_flow", "m3/h", pair.limit_flow_m3_per_s),
                share_of_best_flow=pair.share_of_best_flow,
            )
    return found


def _group_ids(ids: Sequence[int]) -> list[int]:
    """All valves in service of the groups these valves belong to: sisters speak too."""
    groups = ProtectionValve.objects.filter(pk__in=ids).values("pump__group_id")
    return list(
        ProtectionValve.objects.filter(
            Q(pump__group_id__in=groups), status=ValveStatus.IN_SERVICE.value
        ).values_list("pk", flat=True)
    )


def _doubtful(rows: Mapping[int, Row]) -> dict[int, list[str]]:
    valve_of = {row["pump_id"]: valve for valve, row in rows.items()}
    found: dict[int, list[str]] = defaultdict(list)
    for tag, words, pump in (
        SeriesState.objects.filter(series__pump_id__in=list(valve_of))
        .exclude(doubtful_code="")
        .values_list("series__tag", "doubtful_words", "series__pump_id")
    ):
        found[valve_of[pump]].append(f"{tag}: {words}")
    return found


def gather(
    ids: Sequence[int], capacities: Mapping[int, Capacity], at: datetime
) -> dict[int, Facts]:
    """The facts of each valve as of `at`, from about a dozen queries."""
    everyone = _group_ids(ids)
    rows = _rows(everyone)
    zones = {valve: ZoneInfo(row["pump__group__site__time_zone"]) for valve, row in rows.items()}
    tests, inspections = _tests(everyone, zones), _inspections(everyone, zones)
    failures = _failures(tests, inspections)
    proven: dict[int, datetime | None] = {}
    for valve in everyone:
        times = [seen[0].done_at for seen in inspections.get(valve, ())]
        times += [test.done_at for test in tests.get(valve, ()) if test.result == ProofResult.PASS]
        proven[valve] = max(times, default=None)
    wanted = {valve: rows[valve] for valve in ids}
    due, events, doubtful = _due(ids), _events(wanted, proven), _doubtful(wanted)
    pairs = _pairs(rows, hydraulics_of(everyone))
    passing = passing_of(wanted, at)
    members: dict[int, list[int]] = defaultdict(list)
    for valve, row in rows.items():
        members[row["pump__group_id"]].append(valve)
    found: dict[int, Facts] = {}
    for valve, row in wanted.items():
        last = proven[valve]
        sisters = [
            SisterFact(
                rows[other]["tag"],
                failed_on,
                words,
                _shared(inspections.get(valve, ()), inspections.get(other, ()), failed_at),
            )
            for other in members[row["pump__group_id"]]
            if other != valve
            for failed_at, failed_on, words in failures.get(other, ())
            if last is not None and failed_at > last
        ]
        missing = []
        if row["design_id"] is None:
            missing.append("design")
        elif row["design__revision"] == NOT_KNOWN:
            missing.append("revision")
        if row["serial"] == NOT_KNOWN:
            missing.append("serial number")
        clocks = due.get(valve, [])
        found[valve] = Facts(
            valve=row["tag"],
            as_of=at.astimezone(UTC),
            as_of_on=at.astimezone(zones[valve]).date(),
            missing_identity=tuple(missing),
            capacity=capacities[valve],
            tests=tests.get(valve, []),
            inspections=[seen[0] for seen in inspections.get(valve, ())],
            has_record=bool(tests.get(valve) or inspections.get(valve))
            or any(item.share_used is not None for item in clocks),
            due=clocks,
            sisters=sisters,
            events=events.get(valve, []),
            passing=passing.get(valve),
            pair=pairs.get(valve),
            hydraulics_changed_on=row["pump__hydraulics_changed_on"],
            hydraulics_change=row["pump__hydraulics_change"],
            rejected_readings=doubtful.get(valve, []),
        )
    return found
