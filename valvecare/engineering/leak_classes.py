"""Seat leakage: what was measured as a rate, and what the standards allow. One formula each.

A leak is never converted to another pressure difference: check valves leak more at low pressure.
"""

from enum import StrEnum
from math import pi
from typing import Final

from valvecare.engineering.errors import OutOfRange, require_between
from valvecare.engineering.plausible_mechanics import (
    require_count,
    require_member,
    require_plausible,
)
from valvecare.engineering.tables import table

DROP_VOLUME_M3: Final = 62.5e-9  # 16 drops to the millilitre: public pages quoting API 598 (seen)
BUBBLE_DIAMETER_M: Final = 0.005  # a bubble counts as a sphere of 5 mm: ratio of the ISO 5208 rows
MM3_M3: Final = 1e-9
ML_PER_MIN_M3_PER_S: Final = 1e-6 / 60
API598_LARGEST_NPS: Final = 24.0


class Medium(StrEnum):
    """Test medium."""

    LIQUID = "liquid"
    GAS = "gas"


class SeatKind(StrEnum):
    """Kind of seat, as API 598 tells them apart for check valves."""

    METAL = "metal"
    RESILIENT = "resilient"


def iso5208_rates() -> tuple[str, ...]:
    """Names of the ISO 5208 rates, tightest first.

    Returns
    -------
    tuple of str : A, AA, B, C, CC, D, E, EE, F, G

    Assumptions
    -----------
    None.

    Source
    ------
    Public page quoting the ISO 5208 table (seen). Its heading says ten rates and it lists A twice.

    Examples
    --------
    >>> iso5208_rates()
    ('A', 'AA', 'B', 'C', 'CC', 'D', 'E', 'EE', 'F', 'G')
    """
    return ("A", *(row["rate"] for row in table("iso5208_rates")))


def iso5208_limit(rate: str, *, dn: float, medium: str) -> float:
    """Largest seat leak of an ISO 5208 rate, m3/s.

    Parameters
    ----------
    rate : AA, B, C, CC, D, E, EE, F or G
    dn : nominal size DN, 6 to 2000
    medium : "liquid" or "gas"

    Returns
    -------
    float : m3/s

    Raises
    ------
    OutOfRange : rate not listed, or rate A (it has no number); size missing or outside its range

    Assumptions
    -----------
    Leak discharged to atmosphere; room temperature.

    Source
    ------
    Public page quoting the ISO 5208 table (seen), a source beside each row.

    Examples
    --------
    Rate D, DN 100, liquid: 0.1 x DN = 10 mm3/s.

    >>> round(iso5208_limit("D", dn=100, medium="liquid") * 1e9, 3)
    10.0
    """
    rows = {row["rate"]: row for row in table("iso5208_rates")}
    if rate == "A":
        raise OutOfRange("rate", rate, "a rate with a number", "rate A is 'no visible leak'")
    row = rows[require_member("rate", rate, tuple(rows), "ISO 5208 knows no other rate")]
    kind = require_member("medium", medium, tuple(Medium), "the limits differ")
    per_dn = float(row[f"{kind}_mm3_per_s_per_dn"])
    return per_dn * require_plausible("dn", dn) * MM3_M3


def drops_per_minute(leak_m3_per_s: float, *, drop_volume_m3: float) -> float:
    """Leak rate in drops per minute.

    Parameters
    ----------
    leak_m3_per_s : m3/s, 0 to 0.01
    drop_volume_m3 : m3, 1e-8 to 5e-7 (`DROP_VOLUME_M3` by convention)

    Returns
    -------
    float : drops per minute

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    All drops alike. A measured volume and a stopwatch are better.

    Source
    ------
    16 drops to the millilitre: public pages quoting API 598 (seen).

    Examples
    --------
    Rate D, DN 100: 9.6 drops a minute.

    >>> limit = iso5208_limit("D", dn=100, medium="liquid")
    >>> round(drops_per_minute(limit, drop_volume_m3=DROP_VOLUME_M3), 3)
    9.6
    """
    leak = require_plausible("leak_rate_m3_per_s", leak_m3_per_s, "leak_m3_per_s")
    return leak / require_plausible("drop_volume_m3", drop_volume_m3) * 60


def bubbles_per_second(leak_m3_per_s: float) -> float:
    """Gas leak rate in bubbles per second; a bubble is a sphere of 5 mm.

    Parameters
    ----------
    leak_m3_per_s : m3/s of gas at atmospheric pressure, 0 to 0.01

    Returns
    -------
    float : bubbles per second

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Bubbles from a tube under water, all alike.

    Source
    ------
    Ratio of the rows of the ISO 5208 table. One public page prints 9.1673 x DN for rate G, a
    factor of ten low: 91.67 x DN.

    Examples
    --------
    >>> round(bubbles_per_second(iso5208_limit("G", dn=100, medium="gas")))
    9167
    """
    leak = require_plausible("leak_rate_m3_per_s", leak_m3_per_s, "leak_m3_per_s")
    return leak / (pi / 6 * BUBBLE_DIAMETER_M**3)


def volume_of_drops(drops: int, *, drop_volume_m3: float) -> float:
    """Volume of counted drops, m3.

    Parameters
    ----------
    drops : whole number, 0 to 100 000
    drop_volume_m3 : m3, 1e-8 to 5e-7

    Returns
    -------
    float : m3

    Raises
    ------
    OutOfRange : an input is missing, not finite, outside its range or not whole

    Assumptions
    -----------
    All drops alike.

    Source
    ------
    As `drops_per_minute`.

    Examples
    --------
    >>> round(volume_of_drops(16, drop_volume_m3=DROP_VOLUME_M3) * 1e6, 9)
    1.0
    """
    number = require_count("drops", drops, at_least=0, at_most=100_000, why="counted drops")
    return number * require_plausible("drop_volume_m3", drop_volume_m3)


def leak_rate_from_drops(drops: int, *, seconds: float, drop_volume_m3: float) -> float:
    """Leak rate from counted drops, m3/s.

    Parameters
    ----------
    drops : whole number, 1 to 100 000; for none use `zero_drop_bound`
    seconds : length of the count, s, 5 to 86 400
    drop_volume_m3 : m3, 1e-8 to 5e-7

    Returns
    -------
    float : m3/s

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range; no drops: nothing was
        measured but a bound

    Assumptions
    -----------
    All drops alike.

    Source
    ------
    As `drops_per_minute`.

    Examples
    --------
    95 drops in 300 s (derived value 19.79 mm3/s):

    >>> leak = leak_rate_from_drops(95, seconds=300.0, drop_volume_m3=DROP_VOLUME_M3)
    >>> round(leak * 1e9, 2)
    19.79
    """
    number = require_count(
        "drops",
        drops,
        at_least=1,
        at_most=100_000,
        why="no drop gives only a bound: use zero_drop_bound",
    )
    time = require_plausible("seconds", seconds)
    return volume_of_drops(number, drop_volume_m3=drop_volume_m3) / time


def zero_drop_bound(seconds: float, *, drop_volume_m3: float) -> float:
    """Largest leak that can hide behind 'no drop in the test time', m3/s.

    Parameters
    ----------
    seconds : length of the test, s, 5 to 86 400
    drop_volume_m3 : m3, 1e-8 to 5e-7

    Returns
    -------
    float : one drop over the time, m3/s: the leak is below this

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    A drop was just about to fall.

    Source
    ------
    As `drops_per_minute`.

    Examples
    --------
    >>> round(zero_drop_bound(60.0, drop_volume_m3=DROP_VOLUME_M3) * 1e9, 3)
    1.042
    """
    drop = require_plausible("drop_volume_m3", drop_volume_m3)
    return drop / require_plausible("seconds", seconds)


def api598_check_valve_limit(nps: float, *, seat: str, medium: str) -> float:
    """Largest seat leak of a check valve by API 598, m3/s.

    Parameters
    ----------
    nps : nominal pipe size, inches, 0.25 to 24
    seat : "metal" or "resilient"
    medium : "liquid" or "gas"

    Returns
    -------
    float : m3/s; 0 for a resilient seat; metal and liquid: 3 ml/min per inch, at least 6 ml/min

    Raises
    ------
    OutOfRange : an input is missing or outside its range; above 24 inches by agreement

    Assumptions
    -----------
    Test at the pressure and for the time the standard states.

    Source
    ------
    Public pages quoting API 598 (seen): 3 ml/min and 0.042 m3/h per inch. One page's text says 3
    drops a minute per inch while its own table gives 3 ml: a factor of 16.

    Examples
    --------
    >>> round(api598_check_valve_limit(4, seat="metal", medium="liquid") * 60e6, 6)
    12.0
    """
    size = require_plausible("nps", nps)
    kind = require_member("seat", seat, tuple(SeatKind), "the limits differ")
    fluid = require_member("medium", medium, tuple(Medium), "the limits differ")
    if kind == SeatKind.RESILIENT:
        return 0.0
    if fluid == Medium.GAS:
        return 0.042 / 3600 * size
    return 3.0 * max(size, 2.0) * ML_PER_MIN_M3_PER_S


def api598_duration(nps: float) -> float:
    """Shortest test time of API 598 for the closure test, s.

    Parameters
    ----------
    nps : nominal pipe size, inches, 0.25 to 12

    Returns
    -------
    float : 15 s to NPS 2, 60 s to 6, 120 s to 12

    Raises
    ------
    OutOfRange : missing or outside the range; above 12 the pages seen disagree

    Assumptions
    -----------
    None.

    Source
    ------
    Public pages quoting API 598 (seen).

    Examples
    --------
    >>> api598_duration(4)
    60.0
    """
    size = require_between(
        "nps", nps, at_least=0.25, at_most=12.0, why="above 12 sources disagree: read the standard"
    )
    return 15.0 if size <= 2 else 60.0 if size <= 6 else 120.0


def fci_class_v_limit(seat_m: float, *, difference_pa: float) -> float:
    """Largest liquid leak of ANSI/FCI 70-2 class V, SI form, m3/s.

    Parameters
    ----------
    seat_m : seat diameter, m, 0.005 to 2
    difference_pa : pressure difference of the test, Pa, 100 to 1e8

    Returns
    -------
    float : 5e-12 m3/s per mm of seat per bar, m3/s

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Tested at the service pressure difference.

    Source
    ------
    Public page quoting ANSI/FCI 70-2-2006 (seen). The inch form allows 5 % less.

    Examples
    --------
    Seat 100 mm, 10 bar: 0.3 ml/min.

    >>> round(fci_class_v_limit(0.100, difference_pa=10e5) * 60e6, 6)
    0.3
    """
    seat = require_plausible("seat_m", seat_m)
    difference = require_plausible("leak_difference_pa", difference_pa, "difference_pa")
    return 5e-12 * seat * 1e3 * difference / 1e5


def fci_class_v_limit_inch(seat_m: float, *, difference_pa: float) -> float:
    """Largest liquid leak of ANSI/FCI 70-2 class V, inch form, m3/s.

    Parameters
    ----------
    seat_m : seat diameter, m, 0.005 to 2
    difference_pa : pressure difference of the test, Pa, 100 to 1e8

    Returns
    -------
    float : 5e-4 ml/min per inch of seat per psi, as m3/s

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Tested at the service pressure difference.

    Source
    ------
    Public page quoting ANSI/FCI 70-2-2006 (seen).

    Examples
    --------
    3.937 in, 145.04 psi: 0.2855 ml/min.

    >>> limit = fci_class_v_limit_inch(3.937 * 0.0254, difference_pa=145.04 * 6894.757)
    >>> round(limit * 60e6, 4)
    0.2855
    """
    seat = require_plausible("seat_m", seat_m)
    difference = require_plausible("leak_difference_pa", difference_pa, "difference_pa")
    return 5e-4 * ML_PER_MIN_M3_PER_S * seat / 0.0254 * difference / 6894.757293


def fci_class_vi_limit(seat_m: float) -> float:
    """Largest gas leak of ANSI/FCI 70-2 class VI, m3/s, for a seat diameter of the table.

    Parameters
    ----------
    seat_m : seat diameter, m: 0.025, 0.038, 0.051, 0.064, 0.076, 0.102, 0.152, 0.203, 0.250, 0.300

    Returns
    -------
    float : m3/s of air or nitrogen

    Raises
    ------
    OutOfRange : missing, or a diameter the table does not list; nothing is read in between

    Assumptions
    -----------
    Soft seat.

    Source
    ------
    Public page quoting ANSI/FCI 70-2-2006 table 2 (seen).

    Examples
    --------
    >>> round(fci_class_vi_limit(0.102) * 60e6, 6)
    1.7
    """
    seat_mm = require_plausible("seat_m", seat_m) * 1e3
    rows = table("fci_class_vi")
    for row in rows:
        if abs(float(row["seat_mm"]) - seat_mm) < 1e-6:
            return float(row["ml_per_min"]) * ML_PER_MIN_M3_PER_S
    listed = ", ".join(f"{float(row['seat_mm']) / 1e3:g}" for row in rows)
    raise OutOfRange("seat_m", seat_m, f"one of {listed}", "the table is not read in between")


def fci_capacity_share(leak_class: str) -> float:
    """Largest leak of ANSI/FCI 70-2 classes II to IV as a share of the rated capacity.

    Parameters
    ----------
    leak_class : "II", "III" or "IV"

    Returns
    -------
    float : share of one

    Raises
    ------
    OutOfRange : another class

    Assumptions
    -----------
    None.

    Source
    ------
    Public page quoting ANSI/FCI 70-2-2006 (seen).

    Examples
    --------
    >>> fci_capacity_share("IV")
    0.0001
    """
    shares = {"II": 0.005, "III": 0.001, "IV": 0.0001}
    return shares[
        require_member("leak_class", leak_class, tuple(shares), "classes V and VI have own rules")
    ]
