"""Judging a seat leak test: best ISO 5208 rate met, required limit met or not, or inconclusive."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from valvecare.engineering.cautions import Caution, cautions_for
from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.engineering.leak_classes import (
    Medium,
    iso5208_limit,
    iso5208_rates,
    leak_rate_from_drops,
    zero_drop_bound,
)
from valvecare.engineering.plausible_mechanics import require_member, require_plausible
from valvecare.engineering.working import Quantity, Reason

EQUAL_SHARE: Final = 1e-9  # equal to the limit passes, whatever the rounding


class LeakResult(StrEnum):
    """Outcome of a leak test against the required limit."""

    MET = "met"
    NOT_MET = "not met"
    INCONCLUSIVE = "inconclusive"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakTest:
    """What was measured, and under which conditions. Give drops (liquid only) or a rate, not both.

    `leak_m3_per_s` 0 is not accepted: count drops instead, so that the test time bounds the leak.
    """

    dn: float | None
    medium: str | None
    difference_pa: float | None
    seconds: float | None
    temperature_degc: float | None
    drops: int | None
    drop_volume_m3: float | None
    leak_m3_per_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakRequirement:
    """What the valve must meet: an ISO 5208 rate, at a pressure difference, for a test time.

    `pressure_tolerance`: how far the test pressure may be off the required one, as a share.
    """

    rate: str | None
    difference_pa: float | None
    seconds: float | None
    pressure_tolerance: float | None


@dataclass(frozen=True, slots=True)
class LeakAssessment:
    """The verdict, and everything a page needs to show the working.

    `is_bound` means no drop fell: the leak is below `leak_m3_per_s`. `margin` is 1 - leak/limit,
    None for rate A, which has no number. Never converted to another pressure.
    """

    result: LeakResult
    best_rate: str | None
    required_rate: str
    leak_m3_per_s: float
    is_bound: bool
    limit_m3_per_s: float | None
    margin: float | None
    inputs: tuple[Quantity, ...]
    steps: tuple[Quantity, ...]
    reasons: tuple[Reason, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[Caution, ...]


def best_iso5208_rate(leak_m3_per_s: float, *, dn: float, medium: str) -> str | None:
    """Tightest ISO 5208 rate that a measured leak meets; None if it is beyond rate G.

    Parameters
    ----------
    leak_m3_per_s : measured, m3/s, above 0, at most 0.01
    dn : nominal size DN, 6 to 2000
    medium : "liquid" or "gas"

    Returns
    -------
    str or None : AA to G. Rate A is never the answer for a measured leak. Equality meets a rate

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Leak discharged to atmosphere.

    Source
    ------
    Public page quoting the ISO 5208 table (seen).

    Examples
    --------
    95 drops in 300 s on DN 100: rate E.

    >>> best_iso5208_rate(19.79e-9, dn=100, medium="liquid")
    'E'
    """
    leak = require_between(
        "leak_m3_per_s",
        leak_m3_per_s,
        above=0.0,
        at_most=1e-2,
        why="a measured leak; for no drop use the bound",
    )
    for rate in iso5208_rates()[1:]:
        if leak <= iso5208_limit(rate, dn=dn, medium=medium) * (1 + EQUAL_SHARE):
            return rate
    return None


def _measured_leak(test: LeakTest, medium: str, seconds: float) -> tuple[float, bool, str]:
    if test.drops is not None and test.leak_m3_per_s is not None:
        raise OutOfRange("leak_m3_per_s", test.leak_m3_per_s, "given without drops", "give one")
    if test.drops is not None:
        if medium != Medium.LIQUID:
            raise OutOfRange("drops", test.drops, "counted with liquid only", "give a rate for gas")
        drop = require_plausible("drop_volume_m3", test.drop_volume_m3)
        if test.drops == 0 and not isinstance(test.drops, bool):
            return zero_drop_bound(seconds, drop_volume_m3=drop), True, "below one drop in the time"
        rate = leak_rate_from_drops(test.drops, seconds=seconds, drop_volume_m3=drop)
        return rate, False, "drops x drop volume / time"
    if test.leak_m3_per_s is None:
        raise OutOfRange("drops or leak_m3_per_s", None, "given", "nothing was measured")
    leak = require_between(
        "leak_m3_per_s",
        test.leak_m3_per_s,
        above=0.0,
        at_most=1e-2,
        why="for no visible leak enter 0 drops, so that the test time bounds the leak",
    )
    return leak, False, "measured"


def leak_assessment(test: LeakTest, requirement: LeakRequirement) -> LeakAssessment:
    """Judge a seat leak test against the required ISO 5208 rate, with the best rate met.

    Parameters
    ----------
    test : size DN, medium, pressure difference (Pa), time (s), temperature (degC), and drops with
        drop volume (m3) or a leak rate (m3/s)
    requirement : rate, pressure difference (Pa), shortest time (s), pressure tolerance (share)

    Returns
    -------
    LeakAssessment : met, not met or inconclusive. Inconclusive: tested at another pressure
        difference; passed but for a shorter time than required; no drop, but the time bounds the
        leak only above the limit

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Listed in the result.

    Source
    ------
    Public page quoting the ISO 5208 table (seen); drop size: pages quoting API 598 (seen).

    Examples
    --------
    >>> result = leak_assessment(
    ...     LeakTest(dn=100, medium="liquid", difference_pa=11e5, seconds=300.0,
    ...              temperature_degc=20.0, drops=95, drop_volume_m3=62.5e-9, leak_m3_per_s=None),
    ...     LeakRequirement(rate="E", difference_pa=11e5, seconds=60.0, pressure_tolerance=0.05))
    >>> result.result.value, result.best_rate, round(result.margin, 2)
    ('met', 'E', 0.34)
    """
    dn = require_plausible("dn", test.dn)
    medium = require_member("medium", test.medium, tuple(Medium), "the limits differ")
    difference = require_plausible("leak_difference_pa", test.difference_pa, "difference_pa")
    seconds = require_plausible("seconds", test.seconds)
    temperature = require_plausible("temperature_degc", test.temperature_degc)
    required = require_member("rate", requirement.rate, iso5208_rates(), "see the data sheet")
    at = require_plausible(
        "leak_difference_pa", requirement.difference_pa, "requirement.difference_pa"
    )
    least = require_between(
        "requirement.seconds", requirement.seconds, at_least=5.0, at_most=3600.0, why="seconds"
    )
    tolerance = require_between(
        "pressure_tolerance",
        requirement.pressure_tolerance,
        at_least=0.0,
        at_most=0.2,
        why="policy",
    )
    leak, is_bound, how = _measured_leak(test, medium, seconds)
    best = best_iso5208_rate(leak, dn=dn, medium=medium)
    limit = None if required == "A" else iso5208_limit(required, dn=dn, medium=medium)
    if is_bound and seconds >= least:
        best = "A" if required == "A" else best

    reasons: list[Reason] = []
    passes = is_bound if limit is None else leak <= limit * (1 + EQUAL_SHARE)
    result = LeakResult.MET if passes else LeakResult.NOT_MET
    if limit is None:
        words = "no drop fell" if is_bound else "a leak was seen"
        reasons.append(Reason("rate_a", f"Rate A allows no visible leak; {words}."))
    else:
        sign = "below " if is_bound else ""
        reasons.append(
            Reason(
                "compared",
                f"Leak {sign}{leak * 1e9:.4g} mm3/s; rate {required} allows {limit * 1e9:.4g}.",
            )
        )
    if abs(difference / at - 1) > tolerance + EQUAL_SHARE:
        result = LeakResult.INCONCLUSIVE
        reasons.append(
            Reason(
                "other_pressure",
                f"Tested at {difference / 1e5:.4g} bar, required at {at / 1e5:.4g} bar. A leak is "
                "not converted to another pressure: test again at the required one.",
            )
        )
    elif is_bound and limit is not None and not passes:
        result = LeakResult.INCONCLUSIVE
        needed = max(least, leak * seconds / limit)  # bound x time is one drop
        reasons.append(
            Reason(
                "test_too_short",
                "No drop fell, but the time is too short to prove the rate: count for at least "
                f"{needed:.4g} s.",
            )
        )
    elif passes and seconds < least:
        result = LeakResult.INCONCLUSIVE
        reasons.append(
            Reason(
                "test_too_short",
                f"The test took {seconds:.4g} s; at least {least:.4g} s are required.",
            )
        )
    return LeakAssessment(
        result=result,
        best_rate=best,
        required_rate=required,
        leak_m3_per_s=leak,
        is_bound=is_bound,
        limit_m3_per_s=limit,
        margin=None if limit is None else 1 - leak / limit,
        inputs=(
            Quantity("DN", dn, "", "register"),
            Quantity("medium", medium, "", "test"),
            Quantity("pressure difference", difference, "Pa", "test"),
            Quantity("time", seconds, "s", "test"),
            Quantity("temperature", temperature, "degC", "test"),
            Quantity("drops", test.drops, "", "test"),
            Quantity("drop volume", test.drop_volume_m3, "m3", "convention or measured"),
            Quantity("required rate", required, "", "data sheet"),
            Quantity("required pressure difference", at, "Pa", "data sheet"),
            Quantity("required time", least, "s", "data sheet"),
        ),
        steps=(
            Quantity("leak", leak, "m3/s", how),
            Quantity("limit", limit, "m3/s", f"rate {required}"),
        ),
        reasons=tuple(reasons),
        assumptions=(
            "Leak discharged to atmosphere and collected completely.",
            "Valid at the tested pressure difference only.",
        ),
        cautions=cautions_for("leak_assessment"),
    )
