"""What a guided test of one valve would be judged against, and with which instruments."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from valvecare.core.errors import NotFound
from valvecare.engineering.flow_choice import MethodJudgement
from valvecare.protection.reads.fleet import Fleet, fleet_of
from valvecare.protection.rules import Hydraulics
from valvecare.protection.rules.capacity import Capacity, capacity_of
from valvecare.proving.models import TestPolicy
from valvecare.proving.rules import INSTRUMENTS_OF, SPECS, RunLimits, why_limits_refused
from valvecare.register.models import ProtectionValve, Pump
from valvecare.work.models import Gauge, WorkOrder
from valvecare.work.reads.test_methods import MethodsFound, methods_found

NO_POLICY = "no test policy is in force (admin, test policies)"


def policy_on(day: date) -> TestPolicy | None:
    """The owner's limits in force on this day."""
    return TestPolicy.objects.filter(valid_from__lte=day).order_by("-valid_from").first()


@dataclass(frozen=True, slots=True)
class LimitsFound:
    """The limits, or by name what is missing for them."""

    limits: RunLimits | None
    missing: dict[str, str]
    hydraulics: Hydraulics | None
    capacity: Capacity | None


def _weaker_required(valve: ProtectionValve, fleet: Fleet) -> float | None:
    """The largest required flow of the pumps of the group, m3/h: any of them may be the weaker.

    Heat and stable limit as `capacity_of`; None where one of the two is not known of a pump.
    """
    pumps = Pump.objects.filter(group_id=valve.pump.group_id, retired_at__isnull=True)
    known = {
        row["pump_id"]: capacity_of(fleet.hydraulics[member]) for member, row in fleet.rows.items()
    }
    flows = []
    for pump in pumps.values_list("pk", flat=True):
        capacity = known.get(pump)
        if capacity is None or capacity.required_m3_per_h is None or not capacity.stable_known:
            return None
        flows.append(capacity.required_m3_per_h)
    return max(flows, default=None)


def limits_for(valve: ProtectionValve, on: date) -> LimitsFound:
    """What a test of this valve on this day is judged against."""
    fleet = fleet_of([valve.pk])
    facts = fleet.hydraulics.get(valve.pk)
    if facts is None:
        why = f"the valve is {valve.status}; only a valve in service is tested with its pump"
        return LimitsFound(None, {"valve": why}, None, None)
    capacity = capacity_of(facts)
    policy = policy_on(on)
    missing: dict[str, str] = {}
    if capacity.required_m3_per_h is None:
        missing["required flow"] = capacity.refusals.get("required flow", "not known")
    elif not capacity.stable_known:
        missing["stable minimum flow"] = "not known: ask the pump's owner"
    for name, value in (
        ("allowed rise", facts.allowed_rise_k),
        ("switching flow", valve.switching_flow_m3_per_h),
        ("design bypass flow", valve.design_bypass_flow_m3_per_h),
    ):
        if value is None:
            missing[name] = "not in the register"
    if policy is None:
        missing["limits of the owner"] = NO_POLICY
    if missing or policy is None:
        return LimitsFound(None, missing, facts, capacity)
    boil = capacity.boil_water_only_s
    limits = RunLimits(
        required_m3_per_h=capacity.required_m3_per_h or 0.0,
        required_governs=capacity.required_governs,
        allowed_rise_k=facts.allowed_rise_k or 0.0,
        switching_m3_per_h=valve.switching_flow_m3_per_h or 0.0,
        switching_band_share=policy.switching_band_share,
        head_band_share=policy.head_band_share,
        leak_limit_m3_per_h=policy.leak_limit_share * (valve.design_bypass_flow_m3_per_h or 0.0),
        reverse_swing_limit_s=policy.reverse_swing_limit_s,
        header_decay_limit_bar=policy.header_decay_limit_bar,
        probability=policy.probability,
        steady_k_per_min=policy.steady_k_per_min,
        steady_after_min=policy.steady_after_min,
        weaker_required_m3_per_h=_weaker_required(valve, fleet),
        closed_in_limit_s=policy.closed_in_share * boil if boil is not None else None,
        closed_in_share=policy.closed_in_share,
        source=f"{policy.source}; {policy.owner}, from {policy.valid_from}",
    )
    refused = why_limits_refused(limits)
    if refused:
        return LimitsFound(None, {"limits": refused}, facts, capacity)
    return LimitsFound(limits, {}, facts, capacity)


@dataclass(frozen=True, slots=True)
class GaugeLine:
    """A gauge that could be taken along, or why not."""

    code: str
    kind: str
    words: str
    is_usable: bool


@dataclass(frozen=True, slots=True)
class BeginView:
    """Everything the start of a guided test shows."""

    limits: RunLimits | None
    missing: dict[str, str]
    methods: tuple[MethodJudgement, ...]
    methods_words: str
    gauges: tuple[GaugeLine, ...]

    @property
    def best(self) -> str:
        return self.methods[0].method if self.methods and self.methods[0].able else ""


_KINDS = sorted(
    {kind.value for spec in SPECS.values() for kind in spec.gauges}
    | {kind.value for needs in INSTRUMENTS_OF.values() for kind, _ in needs}
)


def gauge_lines(site_id: int, on: date) -> tuple[GaugeLine, ...]:
    """The gauges of the site that a test reads; one out of calibration says so."""
    rows = Gauge.objects.filter(site_id=site_id, retired_at__isnull=True, kind__in=_KINDS)
    lines = []
    for row in rows.order_by("kind", "code"):
        words = f"{row.range_low:g} to {row.range_high:g} {row.unit}"
        usable = on <= row.calibrated_until
        until = f"calibrated until {row.calibrated_until.isoformat()}"
        if row.uncertainty is None and row.uncertainty_share is None:
            until += ", no certified uncertainty"
        lines.append(
            GaugeLine(
                row.code,
                row.kind,
                f"{words}, {until}" if usable else f"{words}, OVERDUE: {until}",
                usable,
            )
        )
    return tuple(lines)


def begin_view_of_order(order_id: int, user: Any, *, at: datetime) -> BeginView:
    """What a test of this order's valve could be done with. Raises `NotFound` for strangers."""
    order = WorkOrder.objects.for_user(user).select_related("site").filter(pk=order_id).first()
    if order is None:
        raise NotFound("There is no such work order for you.")
    valve = ProtectionValve.objects.select_related("pump__group__site").get(pk=order.valve_id)
    return begin_view(valve, at.astimezone(ZoneInfo(order.site.time_zone)).date())


def begin_view(valve: ProtectionValve, on: date, *, level_share: float | None = None) -> BeginView:
    """What the start of a guided test of this valve shows on this day."""
    found = limits_for(valve, on)
    required = found.limits.required_m3_per_h if found.limits else None
    methods = (
        methods_found(valve, required, on, level_share=level_share)
        if required is not None
        else MethodsFound((), None, "No method is judged while limits are missing.")
    )
    return BeginView(
        found.limits,
        found.missing,
        methods.methods,
        methods.words,
        gauge_lines(valve.pump.group.site_id, on),
    )
