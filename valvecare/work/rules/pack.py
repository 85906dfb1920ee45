"""What a job pack says before anybody looks at the valve: steps, isolation, hold points, go."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from valvecare.engineering.lifting import LiftingWay
from valvecare.engineering.release import ReleaseWay
from valvecare.work.rules.steps import (
    GATES,
    NEEDS_PROOF,
    OPENS_THE_VALVE,
    ReadyItem,
    ready_items,
)
from valvecare.work.rules.words import GateKind, OrderKind

IDENTITY = "identity confirmed"
TEST = "function test"
CLOSE = "close"


@dataclass(frozen=True, slots=True)
class Step:
    """One numbered step, the same on the order's page and on the printed card."""

    number: int
    name: str


def numbered_steps(kind: OrderKind) -> tuple[Step, ...]:
    """Every step of an order of this kind, from the name plate to the close.

    >>> [step.name for step in numbered_steps(OrderKind.FUNCTION_TEST)]
    ['identity confirmed', 'as-found recorded', 'function test', 'close']
    """
    names = [IDENTITY, *(gate.value for gate in GATES[kind])]
    if kind in NEEDS_PROOF:
        names.append(TEST)
    return tuple(Step(number, name) for number, name in enumerate([*names, CLOSE], 1))


@dataclass(frozen=True, slots=True)
class Isolation:
    """One point of the isolation list and what proves it."""

    point: str
    proof: str


def isolation_list(
    kind: OrderKind, *, pump: str, group_pumps: Sequence[str], common_return: bool
) -> tuple[Isolation, ...]:
    """Three connections, both sides of the disc, every drive that could start. Common practice.

    Empty for kinds that open no pressure joint.
    """
    if kind not in OPENS_THE_VALVE:
        return ()
    returns = "Bypass return line" + (
        ", shared with the other pumps of the group" if common_return else ""
    )
    return (
        Isolation(f"Drive of pump {pump}", "switched off, locked, tagged, tried"),
        *(
            Isolation(f"Automatic start of pump {other}", "locked: it could fill the open line")
            for other in group_pumps
        ),
        Isolation("Pump side (inlet)", "shut, locked, tagged"),
        Isolation("Header side (main outlet)", "shut, locked, tagged"),
        Isolation(returns, "shut, locked, tagged"),
        Isolation("Vent and drain on the pump side of the disc", "open, nothing comes"),
        Isolation("Vent and drain on the header side of the disc", "open, nothing comes"),
        Isolation("Temperature", "below the limit of the permit"),
    )


_HOLDS: Mapping[GateKind, tuple[str, ...]] = {
    GateKind.ISOLATED: ("Isolation proven on both sides of the disc, by a second person",),
    GateKind.AS_FOUND: ("As found recorded and photographed before anything is cleaned",),
    GateKind.COVER_RELEASED: ("Spring released: rods or studs as the verdict says",),
    GateKind.PARTS_JUDGED: ("Every 'cannot decide' decided by the reliability engineer",),
    GateKind.JOINT_CLOSED: ("Joint: new gasket, named lubricant, every pass",),
}


def hold_points(kind: OrderKind) -> tuple[str, ...]:
    """Points at which work stops until a named person has looked. Common practice."""
    found = ["Identity: tag, plate and order agree"]
    for gate in GATES[kind]:
        if gate is GateKind.JOINT_CLOSED and GateKind.PARTS_JUDGED in GATES[kind]:
            found.append("Locks new and witnessed, every piece counted")
        found.extend(_HOLDS.get(gate, ()))
    if kind in NEEDS_PROOF:
        found.append("Function test with the pump, or a signed provisional release")
    return tuple(found)


@dataclass(frozen=True, slots=True)
class GoLine:
    """One line of the go/no-go list: green or red, and why."""

    name: str
    is_go: bool
    words: str


@dataclass(frozen=True, slots=True)
class ReadyFacts:
    """What the go/no-go list is told. `way` and `lifting` None: refused, see their words."""

    proofs: Mapping[str, str]
    is_identified: bool
    kept: Sequence[str]
    kit_blocked: Sequence[str]
    way: ReleaseWay | None
    way_words: str
    lifting: LiftingWay | None
    lifting_words: str
    crew: str


def _item(item: ReadyItem, facts: ReadyFacts) -> tuple[bool, str]:
    proof = facts.proofs.get(item.value, "").strip()
    if proof:
        return True, proof
    if item is ReadyItem.KIT:
        if facts.kit_blocked:
            return False, " ".join(facts.kit_blocked)
        kept = "; ".join(facts.kept)
        return bool(kept), kept or "Nothing is kept for this order: reserve a kit."
    if item is ReadyItem.RODS:
        if facts.way is ReleaseWay.STANDARD_STUDS:
            return True, f"No rods needed. {facts.way_words}"
        if facts.way is ReleaseWay.LONG_RODS:
            return False, f"Long rods needed; say which are at hand. {facts.way_words}"
        return False, f"Long rods and a clamp needed; say which are at hand. {facts.way_words}"
    if item is ReadyItem.LIFTING:
        by_hand = facts.lifting in (LiftingWay.ONE_PERSON, LiftingWay.TEAM)
        if by_hand:
            return True, f"By hand. {facts.lifting_words}"
        return False, f"Lifting gear needed; say which is at hand. {facts.lifting_words}"
    if item is ReadyItem.CREW:
        placed = f"Crew {facts.crew} is placed; " if facts.crew else "No crew is placed; "
        return False, f"{placed}say who has the skill."
    if item is ReadyItem.PERMIT:
        return False, "No permit named yet."
    return False, "No time with the pump agreed yet."


def go_lines(kind: OrderKind, facts: ReadyFacts) -> tuple[GoLine, ...]:
    """The go/no-go list of this kind, every line green or red with its reason."""
    known = (
        "Design, revision and serial number are known."
        if facts.is_identified
        else "Design, revision and serial number are not all known: read the plate first."
    )
    lines = [GoLine("identity", facts.is_identified, known)]
    lines += [GoLine(item.value, *_item(item, facts)) for item in ready_items(kind)]
    return tuple(lines)
