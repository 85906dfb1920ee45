"""Which policy applies to a valve: the most specific one, as a whole."""

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from valvecare.due.rules.words import TaskKind

NO_POLICY = 0
"""Row ids begin at 1; arrays of policy ids hold 0 where nothing applies."""


class Level(StrEnum):
    """How specific a policy is; the first that matches wins."""

    VALVE = "valve"
    GROUP = "group"
    DESIGN_VARIANT_SIZE = "design, variant and size"
    DESIGN_VARIANT = "design and variant"
    DESIGN = "design"


@dataclass(frozen=True, slots=True)
class PolicyFacts:
    """One policy row. `variant` None: every variant; empty: the plain design."""

    id: int
    kind: TaskKind
    valve_id: int | None
    group_id: int | None
    design_code: str
    variant: str | None
    dn: int | None
    months: int | None
    run_hours: float | None
    starts: int | None
    valid_from: date
    valid_to: date | None

    @property
    def level(self) -> Level:
        if self.valve_id is not None:
            return Level.VALVE
        if self.group_id is not None:
            return Level.GROUP
        if self.dn is not None:
            return Level.DESIGN_VARIANT_SIZE
        return Level.DESIGN if self.variant is None else Level.DESIGN_VARIANT

    @property
    def limits(self) -> tuple[float | None, float | None, float | None]:
        """In the order of `TRIGGERS`: months, h, starts."""
        return (self.months, self.run_hours, self.starts)

    def is_valid_on(self, day: date) -> bool:
        return self.valid_from <= day and (self.valid_to is None or day < self.valid_to)


@dataclass(frozen=True, slots=True)
class DesignFacts:
    id: int
    code: str
    variant: str
    dn: int


@dataclass(frozen=True, slots=True)
class PolicyBook:
    """The policies of one kind that are valid on one day, by what they are for."""

    by_valve: Mapping[int, int]
    by_group: Mapping[int, int]
    by_design: Mapping[tuple[str, str | None, int | None], int]

    def for_design(self, design: DesignFacts | None) -> int:
        """The policy id of a design at its variant and size, or `NO_POLICY`."""
        if design is None:
            return NO_POLICY
        for key in (
            (design.code, design.variant, design.dn),
            (design.code, design.variant, None),
            (design.code, None, None),
        ):
            if key in self.by_design:
                return self.by_design[key]
        return NO_POLICY


def policy_book(policies: Iterable[PolicyFacts], kind: TaskKind, day: date) -> PolicyBook:
    """The book of one kind of task for one site-local day.

    Two equally specific policies cannot both be open (a constraint refuses the second). Where an
    ended one still overlaps its successor, the one that began later applies.
    """

    def ids(level: Sequence[Level], key: Callable[[PolicyFacts], Hashable]) -> dict[Hashable, int]:
        return {key(policy): policy.id for policy in valid if policy.level in level}

    valid = sorted(
        (policy for policy in policies if policy.kind == kind and policy.is_valid_on(day)),
        key=lambda policy: (policy.valid_from, policy.id),
    )
    designs = (Level.DESIGN, Level.DESIGN_VARIANT, Level.DESIGN_VARIANT_SIZE)
    return PolicyBook(
        by_valve=ids([Level.VALVE], lambda policy: policy.valve_id),  # type: ignore[arg-type]
        by_group=ids([Level.GROUP], lambda policy: policy.group_id),  # type: ignore[arg-type]
        by_design=ids(designs, lambda policy: (policy.design_code, policy.variant, policy.dn)),  # type: ignore[arg-type]
    )


def _looked_up(keys: NDArray[np.int64], table: Mapping[int, int]) -> NDArray[np.int64]:
    if not table:
        return np.zeros(keys.shape, dtype=np.int64)
    known = np.fromiter(sorted(table), dtype=np.int64, count=len(table))
    values = np.array([table[int(key)] for key in known], dtype=np.int64)
    where = np.minimum(np.searchsorted(known, keys), known.size - 1)
    return np.where(known[where] == keys, values[where], NO_POLICY)


def policies_for(
    book: PolicyBook,
    designs: Mapping[int, DesignFacts],
    *,
    valve_id: NDArray[np.int64],
    group_id: NDArray[np.int64],
    design_id: NDArray[np.int64],
) -> NDArray[np.int64]:
    """The policy id of each valve, most specific first; `NO_POLICY` where nothing applies.

    Arrays of one length; `design_id` 0 = design not known. One valve is an array of one.
    """
    kinds, where = np.unique(design_id, return_inverse=True)
    by_design = np.array([book.for_design(designs.get(int(key))) for key in kinds], dtype=np.int64)
    found = by_design[where] if kinds.size else np.zeros(0, dtype=np.int64)
    for keys, table in ((group_id, book.by_group), (valve_id, book.by_valve)):
        own = _looked_up(keys, table)
        found = np.where(own != NO_POLICY, own, found)
    return found
