"""The job pack of one order: everything that is known before the valve is touched."""

from dataclasses import dataclass
from typing import Any

from valvecare.core.conf import options
from valvecare.engineering.cautions import Caution, StepKind, cautions_for_step
from valvecare.engineering.errors import OutOfRange, Refusal
from valvecare.engineering.flow_choice import Instruments, MethodJudgement, judge_flow_methods
from valvecare.engineering.lifting import LiftingPolicy, LiftingVerdict, lifting_verdict
from valvecare.engineering.release import (
    ReleaseNeed,
    ReleasePolicy,
    ReleaseWay,
    SpringRecord,
    SpringState,
    release_need,
    rod_counts,
    rod_positions,
)
from valvecare.engineering.units import gauge_to_absolute, to_si
from valvecare.protection.models import FunctionTest
from valvecare.protection.reads.fleet import fleet_of
from valvecare.protection.rules import ProofMethod
from valvecare.protection.rules.capacity import curve_of, liquid_of
from valvecare.register.models import ProtectionValve, Pump, ValveDesign
from valvecare.work.models import Finding
from valvecare.work.reads.card import OrderCard, order_card
from valvecare.work.reads.facts import spring_known
from valvecare.work.reads.torque import JointCard
from valvecare.work.rules import (
    CAUTIONS_BEFORE,
    GATES,
    GRADE_WORDS,
    NEEDS_PROOF,
    FindingGrade,
    GateKind,
    OrderKind,
)
from valvecare.work.rules.pack import (
    TEST_STEPS,
    GoLine,
    Isolation,
    ReadyFacts,
    Step,
    TestStep,
    go_lines,
    hold_points,
    isolation_list,
    numbered_steps,
)
from valvecare.work.rules.steps import OPENS_THE_VALVE

LAST_FINDINGS = 300
"""Findings of the past that are looked through for each part's latest."""


@dataclass(frozen=True, slots=True)
class LastFinding:
    """What was found at a part the last time it was seen."""

    part: str
    order: str
    at: Any
    found: str
    value: float | None
    unit: str
    grade: str
    grade_words: str
    decision: str


@dataclass(frozen=True, slots=True)
class Release:
    """How the cover is let go: the way and its numbers, or why nothing can be said."""

    need: ReleaseNeed | None
    refusal: str
    bolt_count: int | None
    rods: tuple[int, ...]
    instructions: tuple[str, ...]

    @property
    def way(self) -> ReleaseWay | None:
        return self.need.way if self.need else None

    @property
    def clamp(self) -> bool:
        return self.way is ReleaseWay.TREAT_AS_LOADED

    @property
    def words(self) -> str:
        if self.need is None:
            return self.refusal
        return " ".join(reason.text for reason in self.need.reasons)


@dataclass(frozen=True, slots=True)
class Lifting:
    verdict: LiftingVerdict | None
    refusal: str
    mass_kg: float | None

    @property
    def words(self) -> str:
        if self.verdict is None:
            return self.refusal
        return " ".join(reason.text for reason in self.verdict.reasons)


@dataclass(frozen=True, slots=True)
class TestPlan:
    """How the function is proven afterwards. `methods` empty: see `words`."""

    required_m3_per_h: float | None
    design_m3_per_h: float | None
    switching_m3_per_h: float | None
    steps: tuple[TestStep, ...]
    methods: tuple[MethodJudgement, ...]
    words: str


@dataclass(frozen=True, slots=True)
class JobPack:
    """One order's pack. Parts that do not apply to its kind are None or empty."""

    card: OrderCard
    has_lever: bool | None
    is_identified: bool
    medium: str
    temperature_degc: float | None
    suction_bar_g: float | None
    steps: tuple[Step, ...]
    go: tuple[GoLine, ...]
    isolation: tuple[Isolation, ...]
    hold_points: tuple[str, ...]
    release: Release | None
    lifting: Lifting | None
    tightening: JointCard | None
    last: tuple[LastFinding, ...]
    last_test: FunctionTest | None
    test_plan: TestPlan | None
    cautions: tuple[Caution, ...]

    @property
    def red(self) -> int:
        return sum(not line.is_go for line in self.go)


def _m(value_mm: float | None) -> float | None:
    return None if value_mm is None else value_mm / 1e3


def release_of(valve: ProtectionValve) -> Release:
    """The release verdict from the register; a valve that is not identified counts as loaded."""
    design = valve.design
    if design is None:
        return Release(
            ReleaseNeed(ReleaseWay.TREAT_AS_LOADED, None, None, None, None, None, ("design",), ()),
            "",
            None,
            (),
            _LOADED,
        )
    known = spring_known(valve)
    spring = SpringRecord(
        rate_n_per_m=None
        if design.spring_rate_n_per_mm is None
        else design.spring_rate_n_per_mm * 1e3,
        free_m=_m(design.spring_free_length_mm),
        installed_m=_m(design.spring_fitted_length_mm),
        state=SpringState.SOUND if known else SpringState.NOT_KNOWN,
    )
    policy = ReleasePolicy(
        margin_m=options().RELEASE_MARGIN_MM / 1e3, hand_force_n=options().RELEASE_HAND_FORCE_N
    )
    count = design.cover_bolt_count
    try:
        need = release_need(spring, stud_travel_m=_m(design.stud_travel_mm), policy=policy)
        rods: tuple[int, ...] = ()
        if count is not None and need.way is not ReleaseWay.STANDARD_STUDS:
            rods = rod_positions(count, rods=rod_counts(count)[1])
    except Refusal as refusal:
        return Release(None, str(refusal), count, (), _LOADED)
    return Release(need, "", count, rods, _instructions(need, rods))


_LOADED = (
    "Do not release the cover with its studs, whatever their travel.",
    "Fit long rods in opposite positions, threaded over the clamped length, the full assembled "
    "spring length, a margin and one nut: measure on the valve.",
    "Hold the cover with a clamp that can take the full spring force before the first nut is "
    "loosened.",
    "Let an authorised person release this step; back off evenly, clear of the cover.",
)


def _instructions(need: ReleaseNeed, rods: tuple[int, ...]) -> tuple[str, ...]:
    if need.way is ReleaseWay.TREAT_AS_LOADED or need.free_travel_m is None:
        return _LOADED
    free = need.free_travel_m * 1e3
    if need.way is ReleaseWay.STANDARD_STUDS:
        return (
            "Back all nuts off evenly, in small equal turns, far side first.",
            f"Nuts stay on over at least {free:.4g} mm of travel, until the cover is free by hand.",
        )
    travel = (need.rod_travel_m or 0.0) * 1e3
    where = ", ".join(str(position) for position in rods) or "opposite positions"
    return (
        f"Fit cover rods at {where}, threaded over the clamped length (measure it), "
        f"{travel:.4g} mm and one nut.",
        "Remove the other nuts first, then back the rods off evenly, in small equal turns.",
        f"Nuts stay on the rods over at least {free:.4g} mm, until the cover is free by hand.",
        "On assembly compress the spring with the rods; never pull the cover down with the short "
        "studs.",
    )


def lifting_of(design: ValveDesign | None) -> Lifting:
    """How the cover is lifted. Nobody has assessed lifting by hand in the register."""
    mass = design.cover_mass_kg if design else None
    policy = LiftingPolicy(
        gear_from_kg=options().LIFTING_GEAR_FROM_KG, largest_team=options().LIFTING_TEAM
    )
    try:
        verdict = lifting_verdict(
            mass,
            mass_is_measured=mass is not None,
            load_is_stable_and_cool=True,
            posture=None,
            policy=policy,
        )
    except Refusal as refusal:
        return Lifting(None, str(refusal), mass)
    return Lifting(verdict, "", mass)


_METERS = {
    ProofMethod.FLOW_METER.value: "u_meter_share",
    ProofMethod.CLAMP_ON.value: "u_clamp_on_share",
    ProofMethod.VESSEL_LEVEL.value: "u_vessel_level_share",
}
_NO_METHOD = (
    "No way of measuring the bypass flow is chosen: no test of this valve with a recorded "
    "uncertainty is in the register. Choose it under Calculations with the instruments at hand."
)


def _methods(
    valve: ProtectionValve, required: float | None
) -> tuple[tuple[MethodJudgement, ...], str]:
    """The methods judged with the uncertainties recorded at this valve's latest tests."""
    seen: dict[str, float] = {}
    rows = FunctionTest.objects.filter(
        valve=valve, method__in=list(_METERS), uncertainty_share__isnull=False
    ).order_by("-done_at", "-id")[:20]
    for row in rows:
        seen.setdefault(_METERS[row.method], row.uncertainty_share)
    if required is None:
        return (), "The required minimum flow of the pump is not known: ask the pump's owner."
    if not seen:
        return (), _NO_METHOD
    instruments = Instruments(
        **{
            "u_meter_share": None,
            "u_clamp_on_share": None,
            "u_vessel_level_share": None,
            **seen,
        },
        u_kv_share=None,
        u_pressure_drop_share=None,
        u_density_share=None,
        kv_is_under_test=True,
        u_shaft_power_share=None,
        u_rise_k=None,
        u_head_share=None,
    )
    found = fleet_of([valve.pk]).hydraulics.get(valve.pk)
    if found is None:
        return (), f"The valve is {valve.status}: only a valve in service is tested with its pump."
    try:
        liquid = liquid_of(found)
        judged = judge_flow_methods(
            curve_of(found, liquid),
            liquid,
            flow_m3_per_s=to_si("volume_flow", "m3/h", required),
            inlet_temperature_degc=found.suction_temperature_degc,  # type: ignore[arg-type]
            inlet_pa_abs=_inlet(found.suction_pressure_bar_g, found.atmospheric_pressure_bar_a),
            instruments=instruments,
        )
    except Refusal as refusal:
        return (), f"No method is judged: {refusal}"
    return judged, "Uncertainties as recorded at this valve's latest tests."


def _inlet(gauge_bar: float | None, atmospheric_bar: float | None) -> float:
    for name, value in (
        ("suction_pressure_bar_g", gauge_bar),
        ("atmospheric_pressure_bar_a", atmospheric_bar),
    ):
        if value is None:
            raise OutOfRange(name, None, "given", "the register says it is not known")
    return gauge_to_absolute(
        to_si("pressure_gauge", "bar", gauge_bar),
        atmospheric_pa_abs=to_si("pressure_absolute", "bar", atmospheric_bar),
    )


def _test_plan(valve: ProtectionValve) -> TestPlan:
    required = valve.pump.stable_min_flow_m3_per_h
    methods, words = _methods(valve, required)
    return TestPlan(
        required,
        valve.design_bypass_flow_m3_per_h,
        valve.switching_flow_m3_per_h,
        TEST_STEPS,
        methods,
        words,
    )


def last_findings(valve_id: int, order_id: int, parts: tuple[str, ...]) -> tuple[LastFinding, ...]:
    """What was found last time at each of these parts, in other orders that have ended."""
    rows = (
        Finding.objects.filter(order__valve_id=valve_id, order__ended_at__isnull=False)
        .exclude(order_id=order_id)
        .select_related("order")
        .order_by("-at", "-id")[:LAST_FINDINGS]
    )
    latest: dict[str, Finding] = {}
    for row in rows:
        latest.setdefault(row.part, row)
    ordered = [*(part for part in parts if part in latest), *(p for p in latest if p not in parts)]
    return tuple(
        LastFinding(
            part,
            latest[part].order.number,
            latest[part].at,
            latest[part].found,
            latest[part].value,
            latest[part].unit,
            latest[part].grade,
            GRADE_WORDS[FindingGrade(latest[part].grade)] if latest[part].grade else "",
            latest[part].decision,
        )
        for part in ordered
    )


def _cautions(kind: OrderKind) -> tuple[Caution, ...]:
    """Every caution of the steps of this kind, each once, in the order of the steps."""
    steps = [step for gate in GATES[kind] for step in CAUTIONS_BEFORE[gate]]
    if kind in NEEDS_PROOF:
        steps += [StepKind.TEST, StepKind.RETURN_TO_SERVICE]
    found: dict[str, Caution] = {}
    for step in steps:
        for caution in cautions_for_step(step):
            found.setdefault(caution.id, caution)
    return tuple(found.values())


def job_pack(order_id: int, user: Any) -> JobPack:
    """Everything known before the valve is touched. Raises `NotFound` as `order_card` does."""
    card = order_card(order_id, user)
    valve = ProtectionValve.objects.select_related("design", "pump__group").get(pk=card.valve_id)
    kind, pump, design = card.kind, valve.pump, valve.design
    opens = kind in OPENS_THE_VALVE
    lets_go = GateKind.COVER_RELEASED in GATES[kind]
    release = release_of(valve) if lets_go else None
    lifting = lifting_of(design) if opens else None
    others = (
        Pump.objects.filter(group=pump.group, retired_at=None)
        .order_by("tag")
        .values_list("tag", flat=True)
    )
    facts = ReadyFacts(
        proofs=card.readiness,
        is_identified=valve.is_identified,
        kept=[f"{row.quantity} {row.item}, lot {row.lot}, {row.place}" for row in card.kept],
        kit_blocked=card.kit_blocked,
        way=release.way if release else None,
        way_words=release.words if release else "",
        lifting=lifting.verdict.way if lifting and lifting.verdict else None,
        lifting_words=lifting.words if lifting else "",
        crew=card.slot.crew if card.slot else "",
    )
    return JobPack(
        card=card,
        has_lever=design.has_lever if design else None,
        is_identified=valve.is_identified,
        medium=pump.medium,
        temperature_degc=pump.suction_temperature_degc,
        suction_bar_g=pump.suction_pressure_bar_g,
        steps=numbered_steps(kind),
        go=go_lines(kind, facts),
        isolation=isolation_list(
            kind, pump=pump.tag, group_pumps=list(others), common_return=pump.group.common_return
        ),
        hold_points=hold_points(kind),
        release=release,
        lifting=lifting,
        tightening=card.joint,
        last=last_findings(valve.pk, order_id, tuple(line.part for line in card.findings)),
        last_test=FunctionTest.objects.filter(valve=valve).order_by("-done_at", "-id").first(),
        test_plan=_test_plan(valve) if kind in NEEDS_PROOF else None,
        cautions=_cautions(kind),
    )
