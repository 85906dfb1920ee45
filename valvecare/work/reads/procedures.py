"""Which procedure serves a valve, what is known of the valve, and the steps that apply."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from valvecare.core.conf import options
from valvecare.core.errors import NotFound
from valvecare.core.models import NOT_KNOWN
from valvecare.engineering.lifting import LiftingWay
from valvecare.engineering.release import ReleaseWay
from valvecare.register.models import ProtectionValve, Pump
from valvecare.register.rules import BodyLining, CoverClosure, PumpRole
from valvecare.work.models import ProcedureStep, ProcedureVersion, WorkOrder
from valvecare.work.reads.cover import lifting_of, release_of
from valvecare.work.rules import OrderKind, hash_of
from valvecare.work.rules.procedures import (
    NO,
    YES,
    Applied,
    Candidate,
    Difference,
    Fact,
    Serving,
    VersionState,
    WorkStep,
    apply_steps,
    compare_steps,
    step_data,
    step_from,
    which_serves,
)

FLASHES_FROM_DEGC = 100.0
"""Water above its boiling point at 1.013 bar flashes when it is let out (IAPWS-IF97: 99.97)."""

_STEP = tuple(
    field.name
    for field in ProcedureStep._meta.concrete_fields
    if field.name not in ("id", "version")
)


def steps_of(version_id: int) -> tuple[WorkStep, ...]:
    """The steps of a version in their order. One query."""
    return tuple(step for _, step in rows_of(version_id))


def rows_of(version_id: int) -> tuple[tuple[int, WorkStep], ...]:
    """Row id and step of a version, in their order. One query."""
    return tuple(
        (row.pk, step_from({name: getattr(row, name) for name in _STEP}, row.number))
        for row in ProcedureStep.objects.filter(version=version_id).order_by("number")
    )


def content_hash_of(steps: Sequence[WorkStep]) -> str:
    """SHA-256 of the canonical JSON of the steps."""
    return hash_of({"steps": [step_data(step) for step in steps]})


def serving(valve: ProtectionValve, kind: OrderKind) -> Serving:
    """The version in use that serves this kind of order at this valve. One query."""
    rows = ProcedureVersion.objects.filter(
        state=VersionState.IN_USE.value, procedure__kind=kind.value
    ).select_related("procedure")
    design = valve.design
    return which_serves(
        kind,
        [
            Candidate(row.pk, row.procedure.code, row.procedure.site_id, row.procedure.design_code)
            for row in rows
        ],
        site=valve.pump.group.site_id,
        design=design.code if design else "",
    )


def _word(known: bool | None) -> str | None:
    return None if known is None else YES if known else NO


def _is(known: str, wanted: str) -> str | None:
    return None if known == NOT_KNOWN else _word(known == wanted)


def _text(known: str) -> str | None:
    return None if not known.strip() or known == NOT_KNOWN else known


def valve_facts(valve: ProtectionValve) -> Mapping[Fact, str | None]:
    """What conditions may ask about a valve; None where the register says it is not known."""
    design, pump = valve.design, valve.pump
    way = release_of(valve).way
    lifting = lifting_of(design).verdict if design else None
    degc = pump.suction_temperature_degc
    pumps = Pump.objects.filter(group=pump.group_id, retired_at=None).count()
    stages = design.bypass_stages if design else None
    return {
        Fact.HAS_LEVER: _word(design.has_lever if design else None),
        Fact.HAS_FLOW_RING: _word(design.has_flow_ring if design else None),
        Fact.SEVERAL_STAGES: _word(None if stages is None else stages > 1),
        Fact.LINED: _is(design.body_lining, BodyLining.LINED) if design else None,
        Fact.PRESSURE_SEAL: _is(design.cover_closure, CoverClosure.PRESSURE_SEAL)
        if design
        else None,
        Fact.LOADED_COVER: _word(None if way is None else way is not ReleaseWay.STANDARD_STUDS),
        Fact.HEAVY_COVER: _word(
            None if lifting is None else lifting.way is LiftingWay.LIFTING_GEAR
        ),
        Fact.HOT: _word(None if degc is None else degc >= options().HOT_FROM_DEGC),
        Fact.FLASHES: _word(None if degc is None else degc >= FLASHES_FROM_DEGC),
        Fact.MEDIUM: _text(pump.medium),
        Fact.SEAL: _text(valve.seal_material),
        Fact.ATTITUDE: _text(valve.attitude),
        Fact.DESIGN: design.code if design else None,
        Fact.REVISION: _text(design.revision) if design else None,
        Fact.IDENTIFIED: _word(valve.is_identified),
        Fact.COMMON_RETURN: _word(pump.group.common_return),
        Fact.SEVERAL_PUMPS: _word(pumps > 1),
        Fact.STANDBY: _word(pump.role == PumpRole.STANDBY),
    }


@dataclass(frozen=True, slots=True)
class OrderProcedure:
    """The procedure of an order: fixed, or the one that would serve; None with `words`."""

    version: ProcedureVersion | None
    is_fixed: bool
    words: str
    steps: tuple[Applied, ...]

    @property
    def asked(self) -> tuple[WorkStep, ...]:
        """The steps that apply, with the numbers of the procedure."""
        return tuple(one.step for one in self.steps if one.applies)

    @property
    def phases(self) -> tuple[tuple[str, tuple[Applied, ...]], ...]:
        """The steps that apply, by phase in their order."""
        shown = [one for one in self.steps if one.applies]
        return tuple(
            (phase, tuple(lines)) for phase, lines in groupby(shown, key=lambda one: one.step.phase)
        )

    @property
    def hold_points(self) -> tuple[str, ...]:
        """Steps that wait for a witness, by their number."""
        return tuple(
            f"Step {step.number}, {step.witness}: {step.words}"
            for step in self.asked
            if step.witness
        )


def _version(version_id: int) -> ProcedureVersion:
    return ProcedureVersion.objects.select_related("procedure__site", "signed_off_by").get(
        pk=version_id
    )


def order_procedure(order: WorkOrder) -> OrderProcedure:
    """What an order goes by: the version it was readied with, else the one in use now."""
    valve = ProtectionValve.objects.select_related("design", "pump__group").get(pk=order.valve_id)
    if order.procedure_id is not None:
        found, is_fixed, words = order.procedure_id, True, "fixed for this order"
    else:
        served = serving(valve, OrderKind(order.kind))
        if served.version is None:
            said = str(served.refusal) if served.refusal else served.words
            return OrderProcedure(None, False, said, ())
        found, is_fixed = served.version, False
        words = f"in use now ({served.words}); fixed when the order is readied or started"
    applied = apply_steps(steps_of(found), valve_facts(valve))
    return OrderProcedure(_version(found), is_fixed, words, applied)


# ---- for those who write procedures


def seen_version(version_id: int, user: Any) -> ProcedureVersion:
    """One version. Raises `NotFound` for versions this person may not see."""
    row = (
        ProcedureVersion.objects.for_user(user)
        .select_related("procedure__site", "drafted_by", "signed_off_by")
        .filter(pk=version_id)
        .first()
    )
    if row is None:
        raise NotFound("There is no such version of a procedure for you.")
    return row


@dataclass(frozen=True, slots=True)
class Preview:
    """A version at one valve: every step with whether and why it applies, and the facts asked."""

    version: ProcedureVersion
    valve: ProtectionValve
    facts: tuple[tuple[str, str], ...]
    steps: tuple[Applied, ...]

    @property
    def count(self) -> int:
        return sum(one.applies for one in self.steps)


def preview(version_id: int, valve_id: int, user: Any) -> Preview:
    """Which steps of a version apply at a valve, and why. Raises `NotFound`."""
    version = seen_version(version_id, user)
    valve = (
        ProtectionValve.objects.for_user(user)
        .select_related("design", "pump__group__site")
        .filter(pk=valve_id)
        .first()
    )
    if valve is None:
        raise NotFound("There is no such valve for you.")
    facts = valve_facts(valve)
    shown = tuple((fact.value, known or NOT_KNOWN) for fact, known in facts.items())
    return Preview(version, valve, shown, apply_steps(steps_of(version_id), facts))


def compare(before_id: int, after_id: int, user: Any) -> tuple[Difference, ...]:
    """Two versions side by side. Raises `NotFound`."""
    before, after = seen_version(before_id, user), seen_version(after_id, user)
    return compare_steps(steps_of(before.pk), steps_of(after.pk))
