"""Everything about one order, as the page and the endpoint show it."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.models import prefetch_related_objects

from valvecare.core.errors import NotFound, Reason
from valvecare.core.permits import PERMITS, roles_at
from valvecare.parts.models import Reservation
from valvecare.parts.reads import job_day, open_reservations, why_no_kit
from valvecare.work.models import (
    Deferral,
    PartUsed,
    Photo,
    Signature,
    TakenAlong,
    Tightening,
    WorkOrder,
)
from valvecare.work.reads.card_lines import (
    AskLine,
    DeferralLine,
    FindingLine,
    GateLine,
    KeptLine,
    MeasuredLine,
    OrderCard,
    OutLine,
    PartUsedLine,
    PhotoLine,
    ProofLine,
    ReleaseLine,
    SignatureLine,
    SlotLine,
    StepLine,
    VerdictChangeLine,
)
from valvecare.work.reads.facts import Gathered, gathered
from valvecare.work.reads.measuring import limits_of
from valvecare.work.reads.signed import verify_signature
from valvecare.work.reads.steps import plain_step, to_witness
from valvecare.work.reads.torque import JointCard, joint_card
from valvecare.work.rules import (
    AFTER_LAPPING,
    GATES,
    GRADE_WORDS,
    NEEDS_PROOF,
    PROGRESS,
    READ_FROM_A_GAUGE,
    SIDINGS,
    UNITS,
    FindingGrade,
    GateKind,
    OrderFacts,
    OrderState,
    PartDecision,
    ReadyItem,
    Rods,
    Stage,
    limit_words,
    may_start_from,
    measures_of,
    ready_items,
    why_not_judge_now,
    why_not_pass,
)
from valvecare.work.rules.procedures import VersionState


def _name(user: Any) -> str | None:
    return user.get_username() if user is not None else None


def _progress(order: WorkOrder) -> tuple[StepLine, ...]:
    state = OrderState(order.state)
    shown = OrderState(order.state_before) if state in SIDINGS and order.state_before else state
    at = PROGRESS.index(shown) if shown in PROGRESS else -1
    return tuple(
        StepLine(word, is_done=index < at or word is OrderState.CLOSED is shown, is_now=index == at)
        for index, word in enumerate(PROGRESS)
    )


_BLOCKED = ("gate_out_of_order", "identity_not_confirmed")


def _kinds(facts: OrderFacts) -> tuple[GateKind, ...]:
    """The gates of the kind; before them the identity, where it is asked for or confirmed."""
    kinds = GATES[facts.kind]
    asked = facts.is_labelled and GateKind.ISOLATED in kinds
    asked = asked or any(state.step.gate == GateKind.IDENTITY for state in facts.steps)
    return (GateKind.IDENTITY, *kinds) if asked or GateKind.IDENTITY in facts.gates else kinds


def _gates(order: WorkOrder, found: Gathered) -> tuple[GateLine, ...]:
    rows = {GateKind(row.kind): row for row in found.gates}
    facts = found.facts
    lines: list[GateLine] = []
    found_next = False
    for kind in _kinds(facts):
        row = rows.get(kind)
        # whatever holds the cover is asked in the form; here only what comes before it counts
        reason: Reason | None = (
            None
            if row or kind is GateKind.IDENTITY
            else why_not_pass(kind, facts, rods=Rods.LONG_RODS_AND_CLAMP)
        )
        blocked = reason is not None and reason.code in _BLOCKED
        is_next = row is None and not blocked and not found_next
        found_next = found_next or is_next
        lines.append(
            GateLine(
                kind,
                row.at if row else None,
                _name(row.by) if row else None,
                _name(row.done_by) if row else None,
                row.words if row else "",
                row.data if row else {},
                is_next and order.state == OrderState.UNDER_WAY,
                str(reason) if reason else "",
            )
        )
    return tuple(lines)


def _findings(found: Gathered) -> tuple[FindingLine, ...]:
    rows = {row.part: row for row in found.findings}
    prefetch_related_objects(list(rows.values()), "measurements__gauge")
    asked = [part.value for part in found.facts.parts]
    lines = []
    for part in [*asked, *(name for name in rows if name not in asked)]:
        row = rows.get(part)
        grade = row.grade if row else ""
        lines.append(
            FindingLine(
                part,
                part in asked,
                row.found if row else "",
                row.value if row else None,
                row.unit if row else "",
                grade,
                GRADE_WORDS[FindingGrade(grade)] if grade else "",
                row.decision if row else "",
                row.not_checked_because if row else "",
                row.rule_says if row else "",
                row.rule_words if row else "",
                row.disagree_because if row else "",
                row.for_engineer if row else False,
                row.stage if row else "",
                tuple(
                    f"{value}{f', {value.gauge}' if value.gauge else ''}"
                    for value in row.measurements.all()
                )
                if row
                else (),
                tuple(
                    MeasuredLine(
                        value.quantity,
                        value.value,
                        value.unit,
                        value.gauge.code if value.gauge else "",
                    )
                    for value in row.measurements.all()
                )
                if row
                else (),
                tuple(row.kinds) if row else (),
                row.gauge.code if row and row.gauge else "",
                _name(row.by) if row else None,
                _name(row.done_by) if row else None,
                row.at if row else None,
            )
        )
    return tuple(lines)


def _asks(order: WorkOrder, facts: OrderFacts) -> tuple[AskLine, ...]:
    limits = limits_of(order.valve)
    return tuple(
        AskLine(
            part.value,
            quantity.value,
            UNITS[quantity],
            limit_words(quantity, limits),
            quantity in READ_FROM_A_GAUGE,
        )
        for part in facts.parts
        for quantity in measures_of(part, limits)
    )


def _reminders(findings: tuple[FindingLine, ...]) -> tuple[str, ...]:
    """What must not be forgotten before close-up: a lapped seat moves spring and timing."""
    lapped = any(
        line.decision == PartDecision.LAP or line.stage == Stage.AS_LEFT for line in findings
    )
    return (AFTER_LAPPING,) if lapped else ()


def _signatures(order: WorkOrder, found: Gathered) -> tuple[SignatureLine, ...]:
    if Signature not in found.held:
        return ()
    return tuple(
        SignatureLine(
            check.signed,
            check.revision,
            check.name,
            row.at,
            check.meaning,
            row.content_hash,
            check.is_intact,
            check.words,
        )
        for row in order.signatures.select_related("order")
        for check in (verify_signature(row),)
    )


_S = OrderState
_DEFERRABLE = (_S.RAISED, _S.AGREED, _S.PLACED, _S.READIED)
_VERBS: Mapping[str, tuple[str, tuple[OrderState, ...]]] = {
    # verb: permit, states
    "agree": ("agree_work_order", (_S.RAISED,)),
    "place": ("place_work_order", (_S.AGREED, _S.PLACED, _S.READIED)),
    "assign": ("place_work_order", tuple(s for s in _S if s not in (_S.CLOSED, _S.DROPPED))),
    "ready": ("ready_work_order", (_S.PLACED,)),
    "identity": ("do_work", (_S.UNDER_WAY,)),
    "steps": ("do_work", (_S.UNDER_WAY, _S.PROVEN)),
    "witness": ("witness_step", (_S.UNDER_WAY, _S.PROVEN)),
    "gates": ("do_work", (_S.UNDER_WAY,)),
    "as-found": ("do_work", (_S.UNDER_WAY, _S.PROVEN)),
    "findings": ("do_work", (_S.UNDER_WAY,)),
    "decide": ("decide_part", (_S.UNDER_WAY,)),
    "decide-joint": ("decide_part", (_S.UNDER_WAY,)),
    "parts-used": ("do_work", (_S.UNDER_WAY, _S.PROVEN)),
    "tests": ("do_work", (_S.UNDER_WAY, _S.PROVEN)),
    "release": ("release_provisionally", (_S.UNDER_WAY,)),
    "close": ("do_work", (_S.UNDER_WAY, _S.PROVEN)),
    "hold": ("hold_work_order", tuple(s for s in PROGRESS if s is not _S.CLOSED)),
    "resume": ("hold_work_order", SIDINGS),
    "ask-to-put-off": ("hold_work_order", _DEFERRABLE),
    "put-off": ("put_off_work_order", _DEFERRABLE),
    "drop": ("drop_work_order", (*_DEFERRABLE, *SIDINGS)),
    "reopen": ("reopen_work_order", (_S.CLOSED,)),
}


def _why_withdrawn(order: WorkOrder) -> str:
    version = order.procedure
    is_gone = version is not None and version.state == VersionState.WITHDRAWN
    return version.ended_why if version is not None and is_gone else ""


def _open_verbs(
    order: WorkOrder,
    known: Gathered,
    user: Any,
    joint: JointCard | None,
    *,
    deferrals: Sequence[Deferral],
    witness: Sequence[int],
) -> tuple[str, ...]:
    """The verbs whose state and permit fit; the action has the last word."""
    facts = known.facts
    roles = roles_at(user, order.site_id)
    table = {**_VERBS, "start": ("do_work", may_start_from(facts.kind))}
    found = {
        verb
        for verb, (permit, states) in table.items()
        if facts.state in states and PERMITS[permit] & roles
    }
    if facts.kind not in NEEDS_PROOF:
        found -= {"tests", "release"}
    if any(gate not in facts.gates for gate in GATES[facts.kind]):
        found -= {"tests", "close"}
    if GateKind.IDENTITY in facts.gates:
        found -= {"identity"}
    if why_not_judge_now(facts) is not None:
        found -= {"findings", "decide"}
    if joint is None or joint.waiting is None:
        found -= {"decide-joint"}
    if not any(line.step.is_answered for line in known.steps):
        found -= {"steps"}
    if not witness:
        found -= {"witness"}
    if all(row.signed_at is not None for row in deferrals):
        found -= {"put-off"}
    return tuple(sorted(found))


_BEFORE_THE_VALVE = (_S.RAISED, _S.AGREED, _S.PLACED, _S.READIED, *SIDINGS)


def _kit(order: WorkOrder, found: Gathered) -> tuple[tuple[KeptLine, ...], tuple[str, ...]]:
    """What is kept for the order, and before the work begins why its kit is not green."""
    facts = found.facts
    if ReadyItem.KIT not in ready_items(facts.kind):
        return (), ()
    kept = tuple(
        KeptLine(
            row.lot_id,
            str(row.lot.item),
            row.lot.code,
            row.quantity,
            str(row.lot.bin),
            row.fit,
        )
        for row in (open_reservations(order.pk) if Reservation in found.held else ())
    )
    if facts.state not in _BEFORE_THE_VALVE:
        return kept, ()
    day = job_day(order, order.due_on)
    return kept, tuple(str(reason) for reason in why_no_kit(order, job_on=day))


def _verdict_change(order: WorkOrder) -> VerdictChangeLine | None:
    changed_at, now = order.verdict_changed_at, order.told_verdict
    if changed_at is None or now is None or not order.is_open:
        return None
    return VerdictChangeLine(
        changed_at, order.verdict_before, now.word, now.reason, now.restriction
    )


def order_card(order_id: int, user: Any) -> OrderCard:
    """The card of one order. Raises `NotFound` for orders this person may not see."""
    order = (
        WorkOrder.objects.for_user(user)
        .select_related(
            "site",
            "valve__pump__group",
            "valve__design",
            "assigned_to",
            "procedure__procedure",
            "slot__window",
            "slot__crew",
        )
        .filter(pk=order_id)
        .first()
    )
    if order is None:
        raise NotFound("There is no such work order for you.")
    found = gathered(order, valve=order.valve)
    facts, steps, held = found.facts, found.steps, found.held
    witness = to_witness(order, steps, user) if steps else ()
    valve = order.valve
    slot = getattr(order, "slot", None)
    kept, kit_blocked = _kit(order, found)
    gates = _gates(order, found)
    closed = [line for line in gates if line.kind is GateKind.JOINT_CLOSED and line.passed_at]
    joint = joint_card(
        order, closed[0].recorded if closed else None, was_tightened=Tightening in held
    )
    now = order.revision
    findings = _findings(found)
    deferrals = list(
        order.deferrals.select_related("asked_by", "signed_by") if Deferral in held else ()
    )
    return OrderCard(
        id=order.pk,
        number=order.number,
        version=order.version,
        revision=order.revision,
        site=order.site.code,
        time_zone=order.site.time_zone,
        group=valve.pump.group.code,
        pump=valve.pump.tag,
        valve_id=valve.pk,
        valve=valve.tag,
        design=str(valve.design) if valve.design else "",
        serial=valve.serial,
        kind=facts.kind,
        state=facts.state,
        why=order.why,
        raised_by=order.raised_by,
        raised_at=order.raised_at,
        due_on=order.due_on,
        share_used=order.share_used,
        governed_by=order.governed_by,
        assigned_to=_name(order.assigned_to),
        readiness=order.readiness,
        ready_items=ready_items(facts.kind),
        pause_why=order.pause_why,
        pause_until=order.pause_until,
        started_at=order.started_at,
        as_found=order.as_found,
        as_found_words=order.as_found_words,
        mode=order.mode,
        mechanism=order.mechanism,
        cause=order.cause,
        detection=order.detection,
        run_hours_since=order.run_hours_since,
        starts_since=order.starts_since,
        remarks=order.remarks,
        done_at=order.done_at,
        ended_at=order.ended_at,
        is_imported=order.is_imported,
        needs_proof=facts.kind in NEEDS_PROOF,
        required_m3_per_h=valve.pump.stable_min_flow_m3_per_h,
        updated_at=order.updated_at,
        verdict_change=_verdict_change(order),
        slot=SlotLine(slot.window.name, slot.crew.name, slot.starts_on, slot.ends_on, slot.hours)
        if slot is not None
        else None,
        progress=_progress(order),
        gates=gates,
        findings=findings,
        parts_used=tuple(
            PartUsedLine(row.name, row.quantity, row.lot, row.serial, row.part, row.words)
            for row in (order.parts_used.filter(revision=now) if PartUsed in held else ())
        ),
        joint=joint,
        kept=kept,
        kit_blocked=kit_blocked,
        photos=tuple(
            PhotoLine(
                row.pk, row.finding.part if row.finding else "", row.words, row.width, row.height
            )
            for row in (
                order.photos.filter(revision=now).select_related("finding") if Photo in held else ()
            )
        ),
        out_with=tuple(
            OutLine(row.by.get_username(), row.at, row.heard_at)
            for row in order.taken_along.filter(back_at=None).select_related("by")
        )
        if order.is_open and TakenAlong in held
        else (),
        tests=tuple(
            ProofLine(
                row.test.pk,
                row.test.done_at,
                row.test.method,
                row.test.result,
                row.test.bypass_flow_m3_per_h,
                row.test.uncertainty_share,
                row.test.required_m3_per_h,
                row.test.restriction,
                row.test.words,
            )
            for row in found.tests
        ),
        deferrals=tuple(
            DeferralLine(
                row.why,
                row.risk,
                row.until,
                row.asked_by.get_username(),
                row.signature,
                _name(row.signed_by),
            )
            for row in deferrals
        ),
        releases=tuple(
            ReleaseLine(
                row.until,
                row.restriction,
                row.words,
                row.signed_by.get_username(),
                row.signed_at,
            )
            for row in found.releases
        ),
        closed_revisions=tuple(
            {"revision": row.revision, "why": row.why, **row.record}
            for row in (order.closed_revisions.all() if now > 1 else ())
        ),
        asks=_asks(order, facts),
        reminders=_reminders(findings),
        signatures=_signatures(order, found),
        verbs=_open_verbs(order, found, user, joint, deferrals=deferrals, witness=witness),
        procedure=str(order.procedure) if order.procedure else "",
        procedure_withdrawn=_why_withdrawn(order),
        steps=tuple(plain_step(line) for line in steps),
        to_witness=witness,
    )
