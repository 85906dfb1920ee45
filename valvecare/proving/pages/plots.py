"""Drawings of a run: bypass over main flow both ways, and the flow at zero main flow."""

from collections.abc import Sequence

from django.utils.safestring import SafeString

from valvecare.proving.rules import StopLine
from valvecare.web.plots import Limit, Line, Marker, NumberAxis, draw

MAIN = NumberAxis("Main flow", "m³/h")
_LABELS = {"T2": "opening (T2)", "T4": "closing (T4)"}


def handover_plots(
    valve: str,
    stops: Sequence[StopLine],
    *,
    required_m3_per_h: float,
    switching_m3_per_h: float,
    switched: Sequence[tuple[str, float]],
) -> list[SafeString]:
    """Total flow with its band against the requirement, and the bypass flow, over the main flow.

    `switched`: words and main flow of where the bypass shut or opened. Empty without two stops.
    """
    by_step = {
        step: sorted(
            (stop for stop in stops if stop.step == step), key=lambda stop: stop.main_m3_per_h
        )
        for step in _LABELS
    }
    totals, bypasses = [], []
    for step, found in by_step.items():
        if not found:
            continue
        mains = [stop.main_m3_per_h for stop in found]
        totals.append(
            Line(
                f"Total, {_LABELS[step]}",
                mains,
                [stop.total.value_m3_per_h for stop in found],
                "points",
                errors=[stop.total.band_m3_per_h for stop in found],
            )
        )
        bypasses.append(
            Line(f"Bypass, {_LABELS[step]}", mains, [stop.bypass_m3_per_h for stop in found])
        )
    if not totals or len(stops) < 2:
        return []
    markers = [Marker(switching_m3_per_h, "Design switching flow")]
    markers += [Marker(flow, words) for words, flow in switched]
    return [
        draw(
            "test-total",
            title=f"Flow through the pump of {valve} while the main line opens and closes",
            unit="m³/h",
            axis=MAIN,
            lines=totals,
            limits=[Limit("Required", required_m3_per_h)],
            height=280,
            from_zero=True,
        ),
        draw(
            "test-bypass",
            title=f"Bypass flow of {valve} over main flow",
            unit="m³/h",
            axis=MAIN,
            lines=bypasses,
            markers=markers,
            height=260,
            from_zero=True,
        ),
    ]
