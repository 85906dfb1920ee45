"""What the judge of a run is told, and what it answers. Plain data in the trade's units."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from valvecare.protection.rules import Hydraulics, ProofResult
from valvecare.proving.rules.quantities import SPECS, TestQuantity

RULE_VERSION = "function test 1"


@dataclass(frozen=True)
class RunLimits:
    """What the run is judged against, as it stood at its start. Shares of 1; probability 0.5 to 1.

    `switching_m3_per_h` is the middle of the design band. `steady_k_per_min` or `steady_after_min`
    make a temperature steady.
    """

    required_m3_per_h: float
    required_governs: str
    allowed_rise_k: float
    switching_m3_per_h: float
    switching_band_share: float
    head_band_share: float
    leak_limit_m3_per_h: float
    reverse_swing_limit_s: float
    header_decay_limit_bar: float
    probability: float
    steady_k_per_min: float
    steady_after_min: float
    weaker_required_m3_per_h: float | None
    closed_in_limit_s: float | None
    source: str
    closed_in_share: float | None = None
    """Share of the time to boil that `closed_in_limit_s` is; None in runs begun without it."""


@dataclass(frozen=True)
class ReadingFact:
    """One raw value that counts. `spread` is its standard uncertainty; None: not certified."""

    id: int
    step: str
    quantity: TestQuantity
    value: float
    stop: int | None
    at: datetime
    spread: float | None
    gauge: str

    @property
    def uncertified(self) -> str:
        """What its gauge lacks where `spread` is None."""
        gauge, spec = self.gauge or "the gauge", SPECS[self.quantity]
        if spec.is_difference:
            return (
                f"a certificate of {gauge} in {spec.unit}: a share of the reading says nothing of "
                "a difference"
            )
        return f"the certified uncertainty of {gauge}"


@dataclass(frozen=True)
class Vessel:
    """The return vessel, where its level is the method: surface and other flows, k = 1 each."""

    surface_m2: float
    u_surface_m2: float
    other_outflow_m3_per_h: float
    u_other_outflow_m3_per_h: float


@dataclass(frozen=True)
class RunFacts:
    """One run as it stands. `readings` oldest first, replaced ones left out."""

    method: str
    limits: RunLimits
    hydraulics: Hydraulics
    motor_efficiency: float | None
    vessel: Vessel | None
    readings: Sequence[ReadingFact]
    not_done: Mapping[str, str]
    not_applicable: Mapping[str, str]
    crossed: Sequence[str]

    def latest(self, step: str, quantity: TestQuantity) -> ReadingFact | None:
        """The latest reading of a quantity in a step."""
        found = [r for r in self.readings if r.step == step and r.quantity is quantity]
        return max(found, key=lambda r: (r.at, r.id)) if found else None


@dataclass(frozen=True)
class CheckLine:
    """One criterion judged. Numbers in the unit given; `limit` with its guard band `accepted`."""

    name: str
    outcome: str
    words: str


@dataclass(frozen=True)
class FlowLine:
    """A flow against its requirement, at once: value, band (k = 2), limit, margin of the lower
    bound. m3/h."""

    label: str
    value_m3_per_h: float
    band_m3_per_h: float
    required_m3_per_h: float
    proven_from_m3_per_h: float
    margin_share: float
    outcome: str
    words: str
    working: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class StopLine:
    """One stop of T2 or T4: flows and the total with its band (k = 2). m3/h."""

    step: str
    stop: int
    main_m3_per_h: float
    bypass_m3_per_h: float
    total: FlowLine


@dataclass(frozen=True)
class StepLine:
    """One step: its outcome, what it was judged by, and what is lacking to judge it."""

    step: str
    outcome: str
    checks: tuple[CheckLine, ...]
    lacking: tuple[str, ...]
    because: str
    notes: tuple[str, ...]
    flow: FlowLine | None = None
    stops: tuple[StopLine, ...] = ()

    @property
    def is_answered(self) -> bool:
        """Judged, not applicable, or 'not done, because …'. Empty is no answer."""
        return bool(self.because) or self.outcome != "not done"


@dataclass(frozen=True)
class RunJudgement:
    """All steps, and what the run would be recorded as if it ended now."""

    outcome: str
    result: ProofResult
    proves_capacity: bool
    words: str
    steps: tuple[StepLine, ...]
    flow: FlowLine | None
    recorded: Mapping[str, Any]
    """Flow, uncertainty share and requirement to record; empty where no flow is known."""
    rule_version: str = RULE_VERSION

    def step(self, name: str) -> StepLine:
        return next(line for line in self.steps if line.step == name)
