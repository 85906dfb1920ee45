"""The cautions of the job, as data: shown before the step or result they belong to.

Signal words as ANSI Z535.4 uses them: DANGER will, WARNING could kill or seriously injure,
CAUTION could injure, NOTICE is about property. Every text ends with `DEFER`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.engineering.plausible_mechanics import require_member

DEFER: Final = (
    "The maker's instructions, local codes and licensed practice come first; "
    "this text does not replace them."
)


class Signal(StrEnum):
    """Signal words of ANSI Z535.4, strongest first."""

    DANGER = "DANGER"
    WARNING = "WARNING"
    CAUTION = "CAUTION"
    NOTICE = "NOTICE"


class StepKind(StrEnum):
    """What is being done when a caution must be read."""

    ISOLATE = "isolate"
    OPEN = "open"
    BREAK_JOINT = "break a joint"
    LIFT = "lift"
    INSPECT = "inspect"
    LAP = "lap"
    SEAL = "seal"
    CLOSE = "close"
    TIGHTEN = "tighten"
    TEST = "test"
    RETURN_TO_SERVICE = "return to service"


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: stable id, signal word, text, source, and where it is shown."""

    id: str
    signal: Signal
    hazard: str
    source: str
    steps: frozenset[StepKind]
    computations: frozenset[str] = frozenset()

    @property
    def text(self) -> str:
        """The words to show, ending by deferring to those who decide."""
        return f"{self.hazard} {DEFER}"


_S = StepKind
_LOCKOUT = "29 CFR 1910.147(d) (seen)"
_COMMON = "common practice"


def _caution(
    id: str,
    signal: Signal,
    hazard: str,
    source: str,
    steps: Iterable[StepKind],
    computations: Iterable[str] = (),
) -> Caution:
    return Caution(id, signal, hazard, source, frozenset(steps), frozenset(computations))


ALL_CAUTIONS: Final[tuple[Caution, ...]] = (
    _caution(
        "stored-energy",
        Signal.DANGER,
        "Know the type and size of every energy. Shut down, isolate all of them, lock and tag "
        "each, relieve or restrain what is stored, then verify, and keep verifying if it can build "
        "up again. The spring under the cover is stored energy and will throw the cover.",
        _LOCKOUT,
        (_S.ISOLATE, _S.OPEN),
        ("release_verdict", "loosening_plan"),
    ),
    _caution(
        "three-isolations",
        Signal.DANGER,
        "The valve has three connections: pump side, header side and bypass return. Isolate all "
        "three and lock the automatic start of every pump of the group. The valve itself, or any "
        "other check valve, is no barrier: a pump that starts will fill an open line.",
        "common practice; OSHA accident 201183928 (seen)",
        (_S.ISOLATE, _S.OPEN, _S.BREAK_JOINT),
    ),
    _caution(
        "isolation-standard",
        Signal.WARNING,
        "Choose the isolation method by size, pressure and substance. A single block and bleed is "
        "not a final isolation for hazardous substances on live plant.",
        "HSG253 figures, seen on third-party pages, not in the original",
        (_S.ISOLATE,),
    ),
    _caution(
        "trapped-pressure",
        Signal.DANGER,
        "The disc can hold pressure between itself and the header. Prove zero by an open vent and "
        "an open drain on both sides of the disc; a gauge reading alone does not count. One bar on "
        "a 120 mm cover pushes with 1.1 kN, together with the spring. Loosen the far side first, "
        "break the seal while the nuts still hold, stand aside, never over a cover or a bypass "
        "opening.",
        _COMMON,
        (_S.OPEN, _S.BREAK_JOINT),
        ("release_verdict", "loosening_plan", "pressure_end_force"),
    ),
    _caution(
        "hot-water",
        Signal.WARNING,
        "Water above 100 °C flashes to steam when it is let out; skin is burned well below that. "
        "Cool below the set temperature before opening, break the far side first, face away.",
        "IAPWS-IF97; common practice; contact limits of ISO 13732-1 from memory",
        (_S.ISOLATE, _S.OPEN, _S.BREAK_JOINT, _S.TEST),
    ),
    _caution(
        "spring-cover",
        Signal.DANGER,
        "Never stand over a spring cover or a bypass opening. Use the cover rods the verdict asks "
        "for: taking the nuts off short studs lets the spring throw the cover. An unknown or "
        "jammed spring counts as fully loaded. Wear eye protection.",
        _COMMON,
        (_S.OPEN, _S.CLOSE),
        ("release_verdict", "loosening_plan"),
    ),
    _caution(
        "compress-evenly",
        Signal.WARNING,
        "Compress the spring evenly with two or more cover rods. Pulling the cover down with the "
        "short studs could strip a thread and release the spring.",
        _COMMON,
        (_S.CLOSE,),
        ("release_verdict", "tightening_plan"),
    ),
    _caution(
        "lifting",
        Signal.WARNING,
        "Know the mass before lifting. Support the internals: the disc can drop out. Keep hands "
        "and feet clear of the load; nobody under it.",
        "common practice; NIOSH 94-110 for lifting by hand (seen)",
        (_S.LIFT, _S.OPEN, _S.CLOSE),
        ("lifting_verdict",),
    ),
    _caution(
        "surroundings",
        Signal.WARNING,
        "Noise, hot surfaces, chemicals from cleaning and confined pits can injure; in sea-water "
        "pits there is drowning and gas. Use the permits and the equipment they ask for.",
        _COMMON,
        (_S.ISOLATE, _S.OPEN, _S.BREAK_JOINT, _S.INSPECT, _S.LAP),
    ),
    _caution(
        "sharp-parts",
        Signal.CAUTION,
        "Worn ports and broken springs have sharp edges. Wear gloves; find every missing piece "
        "before the valve is closed.",
        _COMMON,
        (_S.INSPECT, _S.LAP),
        ("part_disposition",),
    ),
    _caution(
        "lapping",
        Signal.NOTICE,
        "Take off only as much as needed and never use the disc as the lap: too much grinding "
        "grooves the disc. Clean off all compound. Metal removed lowers the spring preload and "
        "moves the bypass: measure both again.",
        "US Navy training texts on seat lapping (seen)",
        (_S.LAP,),
        ("part_disposition", "preload_after_lapping"),
    ),
    _caution(
        "listed-pairs",
        Signal.WARNING,
        "Rubber, oil and oxygen: only listed pairs. A swollen ring can hold the bypass shut or "
        "leak hot water. Thread paste is no seal lubricant; no grease on gaskets.",
        "public seal tables and an extract of ASME PCC-1:2000 (seen); common practice",
        (_S.SEAL, _S.CLOSE),
        ("seal_lubricant_decision", "seal_medium_decision"),
    ),
    _caution(
        "torque-basis",
        Signal.WARNING,
        "A torque holds for one lubricant, one thread and one wrench only. Another paste can "
        "overload the bolt or leave the joint loose. Stop if the lubricant is not the named one.",
        "VDI 2230; common practice",
        (_S.TIGHTEN,),
        ("torque_for_joint", "friction_mismatch", "tightening_plan"),
    ),
    _caution(
        "never-retorque-hot",
        Signal.WARNING,
        "Never tighten a joint that is hot or under pressure. Tighten again only cold and without "
        "pressure, and not at all on elastomer-bonded fibre gaskets after heat.",
        _COMMON,
        (_S.TIGHTEN, _S.RETURN_TO_SERVICE),
        ("torque_for_joint", "tightening_plan"),
    ),
    _caution(
        "return-to-service",
        Signal.WARNING,
        "Tools out, guards on, people clear, locks removed by their owners. Then check for leaks "
        "at low pressure first, and not with the face over a joint.",
        "29 CFR 1910.147(e), from memory; common practice",
        (_S.RETURN_TO_SERVICE, _S.TEST),
        ("leak_assessment",),
    ),
    _caution(
        "closed-in-running",
        Signal.DANGER,
        "Running closed-in boils the liquid in the pump. Agree the time limit and the abort limits "
        "before the start and keep a person at the stop button.",
        "NRC Bulletin 86-01 (seen); own policy for the time limit",
        (_S.TEST,),
    ),
    _caution(
        "running-machine",
        Signal.WARNING,
        "A turning coupling catches clothes, hair and cables: guards on, keep clear of it. Wear "
        "hearing protection. Read gauges from the side: what lets go under pressure hits who "
        "stands before it.",
        _COMMON,
        (_S.TEST,),
    ),
    _caution(
        "reverse-rotation",
        Signal.WARNING,
        "Restarting a pump that turns backwards can break the shaft or the coupling. Zero speed "
        "first.",
        _COMMON,
        (_S.TEST, _S.RETURN_TO_SERVICE),
    ),
    _caution(
        "advice-only",
        Signal.NOTICE,
        "A calculation is advice. An authorised person releases the work and the valve.",
        _COMMON,
        tuple(StepKind),
    ),
)

_STRENGTH: Final = {signal: rank for rank, signal in enumerate(Signal)}
_BY_ID: Final = {caution.id: caution for caution in ALL_CAUTIONS}
COMPUTATIONS: Final = frozenset(name for c in ALL_CAUTIONS for name in c.computations)


def _sorted(cautions: Iterable[Caution]) -> tuple[Caution, ...]:
    return tuple(sorted(cautions, key=lambda caution: _STRENGTH[caution.signal]))


def caution(id: str) -> Caution:
    """One caution by its id.

    Parameters
    ----------
    id : a caution id, for example "spring-cover"

    Returns
    -------
    Caution

    Raises
    ------
    OutOfRange : no caution has that id

    Assumptions
    -----------
    None.

    Source
    ------
    Each caution names its own.

    Examples
    --------
    >>> caution("hot-water").signal.value
    'WARNING'
    """
    return _BY_ID[require_member("id", id, tuple(_BY_ID), "cautions are a fixed list")]


def cautions_for_step(step: StepKind) -> tuple[Caution, ...]:
    """Cautions to show before a step of that kind, strongest signal word first.

    Parameters
    ----------
    step : a `StepKind` (or its word)

    Returns
    -------
    tuple of Caution : never empty

    Raises
    ------
    OutOfRange : not a known kind of step

    Assumptions
    -----------
    None.

    Source
    ------
    Each caution names its own.

    Examples
    --------
    >>> [c.id for c in cautions_for_step(StepKind.LAP)]
    ['surroundings', 'sharp-parts', 'lapping', 'advice-only']
    """
    kind = require_member("step", step, tuple(StepKind), "cautions belong to known steps")
    return _sorted(c for c in ALL_CAUTIONS if kind in c.steps)


def cautions_for(computation: str) -> tuple[Caution, ...]:
    """Cautions to show with the result of a computation, strongest first, 'advice only' last.

    Parameters
    ----------
    computation : name of a computation listed in `COMPUTATIONS`

    Returns
    -------
    tuple of Caution : never empty

    Raises
    ------
    OutOfRange : no caution names that computation

    Assumptions
    -----------
    None.

    Source
    ------
    Each caution names its own.

    Examples
    --------
    >>> [c.id for c in cautions_for("lifting_verdict")]
    ['lifting', 'advice-only']
    """
    name = require_member(
        "computation", computation, tuple(sorted(COMPUTATIONS)), "cautions name computations"
    )
    return (
        *_sorted(c for c in ALL_CAUTIONS if name in c.computations),
        _BY_ID["advice-only"],
    )
