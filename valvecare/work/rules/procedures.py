"""Procedures as data: the words of a step, which procedure serves a valve, which steps apply."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from difflib import SequenceMatcher
from enum import StrEnum
from typing import Any, Final

from valvecare.core.errors import Reason
from valvecare.engineering.cautions import Caution, caution
from valvecare.work.rules.judgement import UNITS, Measured
from valvecare.work.rules.words import GateKind, OrderKind

NOT_KNOWN: Final = "not known"


class Phase(StrEnum):
    """The parts of a job, in their order."""

    IDENTIFY = "identify"
    PREPARE = "prepare"
    AS_FOUND = "as found"
    ISOLATE = "isolate"
    OPEN = "open"
    INSPECT = "inspect"
    REASSEMBLE = "reassemble"
    CLOSE_UP = "close up"
    TEST = "function test"
    RETURN = "return to service"
    LEARN = "learn"


class WorkStepKind(StrEnum):
    """What a step asks for."""

    CAUTION = "caution"
    GATE = "gate"
    CHECK = "check"
    MEASURE = "measure"
    JUDGE = "judge part"
    FIT = "fit part"
    TIGHTEN = "tighten"
    TEST = "test"


class Witness(StrEnum):
    """Who must look at a hold point before work goes on; never who did the step."""

    SECOND_PERSON = "second person"
    ENGINEER = "reliability engineer"
    SHIFT_LEAD = "shift lead"
    PERMIT_ISSUER = "permit issuer"


class VersionState(StrEnum):
    """One version is in use at a time; what was in use is kept readable."""

    DRAFT = "draft"
    IN_USE = "in use"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"


class Fact(StrEnum):
    """What a condition may ask about a valve."""

    HAS_LEVER = "has lever"
    HAS_FLOW_RING = "has flow ring"
    SEVERAL_STAGES = "several bypass stages"
    LINED = "lined body"
    PRESSURE_SEAL = "pressure-seal cover"
    LOADED_COVER = "loaded cover"
    HEAVY_COVER = "lifting gear needed"
    HOT = "hot"
    FLASHES = "flashes to steam"
    MEDIUM = "medium"
    SEAL = "seal material"
    ATTITUDE = "attitude"
    DESIGN = "design"
    REVISION = "revision"
    IDENTIFIED = "identified"
    COMMON_RETURN = "common return"
    SEVERAL_PUMPS = "several pumps in the group"
    STANDBY = "standby pump"


YES, NO = "yes", "no"
YES_OR_NO: Final = frozenset(Fact) - {
    Fact.MEDIUM,
    Fact.SEAL,
    Fact.ATTITUDE,
    Fact.DESIGN,
    Fact.REVISION,
}
"""Facts whose answer is yes or no; the others are compared word by word, capitals aside."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition: this fact of the valve is this word. Several must all hold."""

    fact: str
    is_: str

    def __str__(self) -> str:
        if self.fact in YES_OR_NO:
            return self.fact if self.is_ == YES else f"not: {self.fact}"
        return f"{self.fact} is {self.is_}"


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkStep:
    """One step as it is written. Words are kept as typed; `why_not_steps` names wrong ones.

    `cautions` are ids of the list in `engineering.cautions`, shown before the step, with
    `own_signal` and `own_caution` for what the plant adds. `quantity` is one of `Measured` where
    it is read at a part and stored with its finding, else any words with a `unit`.
    """

    number: int
    phase: str
    kind: str
    words: str
    cautions: tuple[str, ...] = ()
    own_signal: str = ""
    own_caution: str = ""
    part: str = ""
    gate: str = ""
    quantity: str = ""
    unit: str = ""
    test_step: str = ""
    witness: str = ""
    is_mandatory: bool = True
    when: tuple[Condition, ...] = ()

    @property
    def at_the_part(self) -> bool:
        """The measured value belongs to the part's finding, not to the step."""
        return self.kind == WorkStepKind.MEASURE and self.quantity in set(Measured)

    @property
    def is_answered(self) -> bool:
        """The step has an answer of its own; the others point to a record kept elsewhere."""
        return not self.at_the_part and self.kind in (
            WorkStepKind.CAUTION,
            WorkStepKind.CHECK,
            WorkStepKind.MEASURE,
            WorkStepKind.FIT,
        )

    @property
    def unit_words(self) -> str:
        return UNITS[Measured(self.quantity)] if self.at_the_part else self.unit

    @property
    def caution_list(self) -> tuple[Caution, ...]:
        """The cautions of the list this step names; strongest first as they are written."""
        return tuple(caution(name) for name in self.cautions)


def step_from(given: Mapping[str, Any], number: int) -> WorkStep:
    """A step from plain data (`when` as a list of {fact, is}); its number is its place."""
    plain = {name: value for name, value in given.items() if name not in ("when", "number")}
    conditions = tuple(Condition(one["fact"], one["is"]) for one in given.get("when", ()))
    plain["cautions"] = tuple(given.get("cautions", ()))
    return WorkStep(**plain, when=conditions, number=number)


def step_data(step: WorkStep) -> dict[str, Any]:
    """The reverse of `step_from`: plain data, number included."""
    return {
        **asdict(step),
        "cautions": list(step.cautions),
        "when": [{"fact": one.fact, "is": one.is_} for one in step.when],
    }


def numbered(steps: Sequence[WorkStep]) -> tuple[WorkStep, ...]:
    """The steps numbered by their place, from 1."""
    return tuple(replace(step, number=number) for number, step in enumerate(steps, 1))


# ---- which procedure serves


@dataclass(frozen=True, slots=True)
class Candidate:
    """A version in use: what its procedure is for. `site` None and `design` empty: for all."""

    version: int
    code: str
    site: int | None
    design: str

    @property
    def rank(self) -> int:
        """A plant's own word goes before a design's, a design's before what is for all."""
        return 2 * (self.site is not None) + bool(self.design)


@dataclass(frozen=True, slots=True)
class Serving:
    """The version that serves, and why; None with the reason where none or several would."""

    version: int | None
    words: str
    refusal: Reason | None = None


_RANK_WORDS = (
    "for all sites and designs",
    "for this design",
    "for this site",
    "for this design at this site",
)


def which_serves(
    kind: OrderKind, candidates: Sequence[Candidate], *, site: int, design: str
) -> Serving:
    """The most specific version in use for this kind at this valve. Two alike are refused.

    >>> for_all, own = Candidate(1, "strip-down", None, ""), Candidate(2, "ours", 7, "")
    >>> which_serves(OrderKind.STRIP_DOWN, [for_all, own], site=7, design="OAK").version
    2
    """
    fit = [
        one for one in candidates if one.site in (None, site) and one.design in ("", design or "?")
    ]
    if not fit:
        return Serving(None, f"No procedure is in use for '{kind}' at this valve.")
    best = max(one.rank for one in fit)
    first = sorted((one for one in fit if one.rank == best), key=lambda one: one.code)
    if len(first) > 1:
        names = ", ".join(one.code for one in first)
        return Serving(
            None,
            f"Several procedures serve alike: {names}.",
            Reason(
                "procedures_tie",
                f"Several procedures are in use {_RANK_WORDS[best]} and '{kind}': {names}.",
                "Withdraw all but one of them.",
                {"procedures": [one.code for one in first]},
            ),
        )
    return Serving(first[0].version, f"{first[0].code}: {_RANK_WORDS[best]}")


# ---- which steps apply


@dataclass(frozen=True, slots=True)
class Applied:
    """A step at one valve: whether it applies, and why."""

    step: WorkStep
    applies: bool
    why: str
    is_unsure: bool = False


def _same(known: str, wanted: str) -> bool:
    return known.strip().casefold() == wanted.strip().casefold()


def apply_step(step: WorkStep, facts: Mapping[Fact, str | None]) -> Applied:
    """A step applies unless a known fact says no. What is not known shows the step: fail safe.

    >>> lever = step_from({"phase": "inspect", "kind": "check", "words": "Pins locked",
    ...     "when": [{"fact": "has lever", "is": "yes"}]}, 1)
    >>> apply_step(lever, {Fact.HAS_LEVER: "no"}).applies
    False
    >>> apply_step(lever, {Fact.HAS_LEVER: None}).why
    "shown because 'has lever' is not known"
    """
    unknown: list[str] = []
    for one in step.when:
        known = facts.get(Fact(one.fact)) if one.fact in set(Fact) else None
        if known is None or _same(known, NOT_KNOWN):
            unknown.append(one.fact)
        elif not _same(known, one.is_):
            return Applied(step, False, f"not asked: {one.fact} is {known}")
    if unknown:
        names = ", ".join(f"'{name}'" for name in unknown)
        are = "is" if len(unknown) == 1 else "are"
        return Applied(step, True, f"shown because {names} {are} not known", is_unsure=True)
    if not step.when:
        return Applied(step, True, "always")
    return Applied(step, True, f"because {', '.join(map(str, step.when))}")


def apply_steps(steps: Sequence[WorkStep], facts: Mapping[Fact, str | None]) -> tuple[Applied, ...]:
    """Every step in its order, with whether and why it applies at a valve of these facts."""
    return tuple(apply_step(step, facts) for step in steps)


def gate_of(step: WorkStep) -> GateKind | None:
    """The gate a step is about; tightening is recorded with the closed joint."""
    if step.kind == WorkStepKind.TIGHTEN:
        return GateKind.JOINT_CLOSED
    return GateKind(step.gate) if step.gate in set(GateKind) else None


# ---- comparing two versions


@dataclass(frozen=True, slots=True)
class Difference:
    """A step of one version beside a step of another; None where it is only in one."""

    before: WorkStep | None
    after: WorkStep | None
    changed: tuple[str, ...] = ()

    @property
    def word(self) -> str:
        if self.before is None:
            return "added"
        if self.after is None:
            return "left out"
        return "changed" if self.changed else "same"


def _likeness(step: WorkStep) -> tuple[str, ...]:
    return (step.phase, step.kind, step.words)


def compare_steps(before: Sequence[WorkStep], after: Sequence[WorkStep]) -> tuple[Difference, ...]:
    """Both versions side by side: steps with the same phase, kind and words belong together;
    what stands between two of those is paired in its order where the kind is the same."""
    found: list[Difference] = []
    keys = [_likeness(step) for step in before], [_likeness(step) for step in after]
    for tag, i1, i2, j1, j2 in SequenceMatcher(None, *keys, autojunk=False).get_opcodes():
        old, new = list(before[i1:i2]), list(after[j1:j2])
        if tag == "equal":
            found += [Difference(a, b, _changed(a, b)) for a, b in zip(old, new, strict=True)]
            continue
        for step in old:
            twin = next(
                (
                    one
                    for one in new
                    if (one.kind, one.part, one.gate, one.test_step)
                    == (step.kind, step.part, step.gate, step.test_step)
                ),
                None,
            )
            if twin is not None:
                new.remove(twin)
            found.append(Difference(step, twin, _changed(step, twin) if twin else ()))
        found += [Difference(None, step) for step in new]
    return tuple(found)


def _changed(before: WorkStep, after: WorkStep) -> tuple[str, ...]:
    left, right = step_data(before), step_data(after)
    return tuple(name for name in left if name != "number" and left[name] != right[name])
