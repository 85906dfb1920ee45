"""Is the temperature steady: changed slowly enough, or ran long enough."""

from collections.abc import Sequence
from dataclasses import dataclass

from valvecare.proving.rules.facts import ReadingFact

LEAST_S = 60.0
"""Two readings that are to show a rate lie at least a minute apart (own rule)."""


@dataclass(frozen=True)
class Steadiness:
    is_steady: bool
    words: str


def steadiness(
    readings: Sequence[ReadingFact], *, k_per_min: float, after_min: float, by_heat: bool
) -> Steadiness:
    """Steady when the last change is below `k_per_min`, or `after_min` lie between first and last.

    The rate is taken from the last reading and the latest one at least a minute before it. Where
    the flow is found from the rise itself (`by_heat`), only the rate counts: a rise that still
    changes is the wrong rise. Common practice (0.1 K a minute, or 5 minutes); the rest own.
    """
    series = sorted(readings, key=lambda r: (r.at, r.id))
    if not series:
        return Steadiness(False, "steady: no temperature at the pump outlet is read yet")
    last = series[-1]
    span_s = (last.at - series[0].at).total_seconds()
    earlier = [r for r in series if (last.at - r.at).total_seconds() >= LEAST_S]
    words = "not steady yet: read the pump outlet again after a minute"
    if earlier:
        before = earlier[-1]
        minutes = (last.at - before.at).total_seconds() / 60.0
        rate = round(abs(last.value - before.value) / minutes, 6)  # no noise of floats at 0.1
        words = (
            f"{rate:.2g} K a minute over the last {minutes:.2g} min, limit {k_per_min:g}, "
            f"{span_s / 60.0:.2g} min after the first reading"
        )
        if rate < k_per_min:
            return Steadiness(True, f"steady: {words}")
    if span_s >= 60.0 * after_min and not by_heat:
        return Steadiness(True, f"counts as steady after {after_min:g} min: {words}")
    if earlier:
        words = f"not steady: {words}"
    return Steadiness(False, words)
