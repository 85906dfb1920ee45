"""The steps T0 to T7 of the function test with the pump, the same on card, pack and phone."""

from dataclasses import dataclass
from enum import StrEnum


class Watched(StrEnum):
    """What is watched during a test with a limit agreed before the start."""

    RISE = "temperature rise"
    VIBRATION = "vibration"
    PULSATION = "pressure pulsation"
    NOISE = "noise"
    CURRENT = "motor current"


WATCHED_UNITS = {
    Watched.RISE: "K",
    Watched.VIBRATION: "mm/s",
    Watched.PULSATION: "bar",
    Watched.NOISE: "dB(A)",
    Watched.CURRENT: "A",
}


@dataclass(frozen=True, slots=True)
class TestStep:
    """One step of the function test with the pump: do, measure, accept."""

    id: str
    do: str
    measure: str
    accept: str


TEST_STEPS = (
    TestStep("T0", "Fill, vent, pressurise, pump at rest", "leaks", "none visible at the joints"),
    TestStep(
        "T1",
        "Start with zero main flow",
        "bypass flow, temperatures, power until steady (below 0.1 K a minute, or 5 min)",
        "bypass flow, less its uncertainty, reaches the required minimum; rise within its limit; "
        "no cavitation noise; the return line does not flash",
    ),
    TestStep(
        "T2",
        "Open the main line slowly, 4 to 6 stops",
        "main and bypass flow at each stop, main flow at which the bypass shuts",
        "total flow never below the minimum; bypass shuts inside the design band",
    ),
    TestStep(
        "T3",
        "Rated flow",
        "head, power, bypass line cooling",
        "head on the curve, bypass shut, no rattle",
    ),
    TestStep(
        "T4",
        "Close slowly, 4 to 6 stops",
        "main and bypass flow at each stop, main flow at which the bypass opens",
        "total flow never below the minimum; bypass opens inside the design band",
    ),
    TestStep(
        "T5",
        "Stop with the header under pressure",
        "reverse turning, noise, decay of pressure",
        "no reverse rotation beyond a short swing, no slam",
    ),
    TestStep(
        "T6",
        "Two pumps, low demand",
        "flow of the weaker pump",
        "the weaker pump keeps its minimum flow",
    ),
    TestStep("T7", "Standby or warm-keeping line open", "turning, back-flow", "neither is seen"),
)
"""Common practice for the proof of a pump's low-flow protection; T6 is the question of NRC
Bulletin 88-04, via its closing letter (seen); T2 and T4: NRC IN 88-70 (seen)."""

STEP_IDS = tuple(step.id for step in TEST_STEPS)
