"""The forms of one order as panels: what may be done next, or everything that is left to do."""

import hashlib
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest

from valvecare.engineering.cautions import Caution, StepKind, cautions_for_step
from valvecare.work.actions.agree import agree
from valvecare.work.actions.assign import assign
from valvecare.work.actions.close_work_order import close_work_order
from valvecare.work.actions.confirm_identity import confirm_identity
from valvecare.work.actions.decide_joint import decide_joint
from valvecare.work.actions.decide_part import decide_part
from valvecare.work.actions.drop import drop
from valvecare.work.actions.hold import hold, resume
from valvecare.work.actions.pass_gate import pass_gate
from valvecare.work.actions.put_off import ask_to_put_off, put_off
from valvecare.work.actions.ready import ready
from valvecare.work.actions.record_as_found import record_as_found
from valvecare.work.actions.record_finding import record_finding
from valvecare.work.actions.record_parts_used import record_parts_used
from valvecare.work.actions.record_steps import record_steps, witness_step
from valvecare.work.actions.record_test import record_test
from valvecare.work.actions.release_provisionally import release_provisionally
from valvecare.work.actions.reopen import reopen
from valvecare.work.actions.start import start
from valvecare.work.models import WorkOrder
from valvecare.work.pages import forms
from valvecare.work.pages.compare import Pair, seen_now
from valvecare.work.pages.step_forms import StepsForm, WitnessForm
from valvecare.work.pages.step_order import (
    Asked,
    first_steps,
    left,
    next_asked,
    next_gate,
    next_verb,
)
from valvecare.work.reads import OrderCard, identity_texts
from valvecare.work.rules import GateKind, OrderKind, PartName, cautions_before


@dataclass(frozen=True)
class PageVerb:
    """A verb on the page: its heading, its form, its action; folded away unless it is next."""

    name: str
    heading: str
    form: type[forms.VerbForm]
    act: Callable[..., WorkOrder]
    cautions: tuple[StepKind, ...] = ()


VERBS = {
    verb.name: verb
    for verb in (
        PageVerb("agree", "Agree", forms.AgreeForm, agree),
        PageVerb("ready", "Go or no-go", forms.ReadyForm, ready),
        PageVerb("start", "Start", forms.StartForm, start),
        PageVerb("steps", "Steps", StepsForm, record_steps),
        PageVerb("witness", "Witness", WitnessForm, witness_step),
        PageVerb("identity", "Confirm identity", forms.IdentityForm, confirm_identity),
        PageVerb("as-found", "As found", forms.AsFoundForm, record_as_found),
        PageVerb("gates", "Next gate", forms.GateForm, pass_gate),
        PageVerb("findings", "Judge a part", forms.FindingForm, record_finding),
        PageVerb("decide", "Decide on a part", forms.DecideForm, decide_part),
        PageVerb("decide-joint", "Decide on the joint", forms.DecideJointForm, decide_joint),
        PageVerb("parts-used", "Parts built in", forms.PartsUsedForm, record_parts_used),
        PageVerb("tests", "Function test", forms.TestForm, record_test, cautions=(StepKind.TEST,)),
        PageVerb(
            "close",
            "Close",
            forms.CloseForm,
            close_work_order,
            cautions=(StepKind.RETURN_TO_SERVICE,),
        ),
        PageVerb("resume", "Go on", forms.ResumeForm, resume),
        PageVerb("release", "Provisional release", forms.ReleaseForm, release_provisionally),
        PageVerb("put-off", "Sign the deferral", forms.PutOffForm, put_off),
        PageVerb("hold", "Put on hold", forms.HoldForm, hold),
        PageVerb("ask-to-put-off", "Ask for a deferral", forms.AskToPutOffForm, ask_to_put_off),
        PageVerb("assign", "Assign", forms.AssignForm, assign),
        PageVerb("drop", "Drop", forms.DropForm, drop),
        PageVerb("reopen", "Reopen", forms.ReopenForm, reopen),
    )
}


STEPS_AT_THE_VALVE = frozenset({"start", "gates", "tests", "close"})
"""Verbs of which one at least is open to a person who works on the order now."""


@dataclass(frozen=True)
class Panel:
    """One form on the page with the cautions that come before it."""

    verb: PageVerb
    form: forms.VerbForm
    cautions: tuple[Caution, ...]
    is_open: bool
    expects: str = ""
    """Check sums of the texts that confirm the valve, for a phone without a connection."""
    pairs: Sequence[Pair] = ()
    """Where the step was overtaken: each field that differs, both ways."""

    @property
    def heading(self) -> str:
        """What the step is about: the verb, and its gate or part."""
        about = (
            getattr(self.form, "gate_kind", "")
            or self.form.about
            or (self.form.initial.get("part") if self.verb.name == "findings" else "")
        )
        return f"{self.verb.heading}: {about}" if about else self.verb.heading

    @property
    def submit(self) -> str:
        return getattr(self.form, "submit_words", self.form.submit)


def _cautions(steps: tuple[StepKind, ...]) -> tuple[Caution, ...]:
    """The cautions of these steps, each once, strongest first within its step."""
    found: dict[str, Caution] = {}
    for step in steps:
        for caution in cautions_for_step(step):
            found.setdefault(caution.id, caution)
    return tuple(found.values())


def _steps_before(verb: PageVerb, kind: OrderKind, gate: GateKind | None) -> tuple[StepKind, ...]:
    """Kinds of step whose cautions come before this form."""
    if verb.name == "gates" and gate is not None:
        return cautions_before(kind, gate)
    if verb.name == "findings":
        return cautions_before(kind, GateKind.PARTS_JUDGED)
    return verb.cautions


def _initial(
    verb: PageVerb,
    card: OrderCard,
    request: HttpRequest,
    gate: GateKind | None,
    asked: Asked | None = None,
) -> dict[str, Any]:
    initial: dict[str, Any] = {"version": card.version, "idempotency_key": uuid.uuid4().hex}
    if verb.name == "gates":
        initial["gate"] = gate.value if gate else ""
    if verb.name == "decide":
        waiting = [line.part for line in card.findings if line.for_engineer]
        initial["part"] = next(iter(waiting), None)
    if verb.name == "findings":
        part = request.GET.get("part", "")
        waiting = [line.part for line in card.findings if line.is_asked and not line.is_judged]
        known = {name.value for name in PartName}
        first = asked.part if asked and asked.part else next(iter(waiting), None)
        initial["part"] = part if part in known else first
    if verb.name == "steps":
        numbers = asked.numbers if asked and asked.verb == "steps" else first_steps(card)
        initial["numbers"] = ",".join(map(str, numbers))
    if verb.name == "witness":
        initial["hold_point"] = next(iter(card.to_witness), 0)
    if verb.name == "as-found":
        initial |= {
            "words": card.as_found_words,
            "grade": card.as_found,
            "mode": card.mode,
            "mechanism": card.mechanism,
            "cause": card.cause,
            "detection": card.detection,
        }
    if verb.name == "tests" and card.required_m3_per_h is not None:
        initial["required_m3_per_h"] = f"{card.required_m3_per_h:g}"
    if verb.name == "assign":
        initial["username"] = card.assigned_to or ""
    return initial


def expects(card: OrderCard) -> str:
    """SHA-256 of each text that confirms this valve, so that the page does not show the code."""
    texts = identity_texts(card.valve_id, tag=card.valve, serial=card.serial)
    return " ".join(hashlib.sha256(f"{card.id}:{text}".encode()).hexdigest() for text in texts)


def _panel(
    verb: PageVerb,
    form: forms.VerbForm,
    card: OrderCard,
    gate: GateKind | None,
    *,
    is_open: bool,
    pairs: Sequence[Pair] = (),
) -> Panel:
    wanted = expects(card) if verb.name == "identity" else ""
    if not form.is_bound:
        form.initial["seen"] = seen_now(verb.name, card, form.initial)
    return Panel(
        verb, form, _cautions(_steps_before(verb, card.kind, gate)), is_open, wanted, pairs
    )


def panels_of(
    card: OrderCard,
    request: HttpRequest,
    bound: tuple[str, forms.VerbForm] | None,
    pairs: Sequence[Pair] = (),
) -> list[Panel]:
    asked = next_asked(card)
    opened = bound[0] if bound else asked.verb if asked else next_verb(card)
    if "part" in request.GET and "findings" in card.verbs and bound is None:
        opened = "findings"
    panels = []
    for verb in VERBS.values():
        gate = next_gate(card)
        is_bound = bound is not None and bound[0] == verb.name
        if verb.name not in card.verbs and not is_bound:
            continue
        if verb.name == "gates" and gate is None and not is_bound:
            continue
        form = (
            bound[1]
            if bound is not None and is_bound
            else verb.form(card, initial=_initial(verb, card, request, gate, asked))
        )
        if isinstance(form, StepsForm) and not form.lines:
            continue
        shown = pairs if is_bound else ()
        panels.append(_panel(verb, form, card, gate, is_open=verb.name == opened, pairs=shown))
    panels.sort(key=lambda panel: not panel.is_open)
    return panels


def panels_left(card: OrderCard, request: HttpRequest) -> list[Panel]:
    """Every form from here to the close, so that a phone can go on without a connection.

    Empty when this person may not work on the order now. The actions have the last word.
    """
    if not STEPS_AT_THE_VALVE & set(card.verbs):
        return []
    panels = []
    is_found = False
    for number, asked in enumerate(left(card)):
        verb, gate = VERBS[asked.verb], asked.gate
        form = verb.form(card, initial=_initial(verb, card, request, gate, asked))
        form.auto_id = f"{verb.name}-{number}-%s"
        if isinstance(form, forms.FindingForm):
            form.fix_part()
        if isinstance(form, forms.AsFoundForm):
            form.is_again = is_found
            is_found = True
        panels.append(_panel(verb, form, card, gate, is_open=number == 0))
    return panels


def identity_panel(card: OrderCard, request: HttpRequest, *, text: str) -> Panel | None:
    """The form that confirms the valve, filled with what was scanned; None: not open now."""
    verb = VERBS["identity"]
    if verb.name not in card.verbs:
        return None
    form = verb.form(card, initial=_initial(verb, card, request, None) | {"text": text})
    return _panel(verb, form, card, None, is_open=True)
