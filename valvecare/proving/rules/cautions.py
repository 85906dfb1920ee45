"""The cautions before each step: ids of `engineering.cautions`, strongest first there."""

from collections.abc import Mapping

STEP_CAUTIONS: Mapping[str, tuple[str, ...]] = {
    "T0": ("hot-water", "return-to-service"),
    "T1": ("closed-in-running", "running-machine", "hot-water"),
    "T2": ("running-machine", "hot-water"),
    "T3": ("running-machine", "hot-water"),
    "T4": ("running-machine", "hot-water"),
    "T5": ("reverse-rotation", "running-machine"),
    "T6": ("closed-in-running", "running-machine"),
    "T7": ("reverse-rotation", "hot-water"),
}
"""Which hazard meets whom at which step. Common practice."""

BEGIN_CAUTIONS = ("closed-in-running", "running-machine", "hot-water", "reverse-rotation")
