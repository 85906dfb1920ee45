"""Gasket loads and stresses, the force of a pressure on a cover, and the rule of new gaskets."""

from dataclasses import dataclass
from enum import StrEnum
from math import pi, sqrt
from typing import Final

from valvecare.engineering.errors import OutOfRange
from valvecare.engineering.plausible_mechanics import (
    require_below,
    require_count,
    require_flag,
    require_member,
    require_plausible,
)
from valvecare.engineering.tables import table
from valvecare.engineering.working import Reason

NARROW_LIMIT_M: Final = 0.00635  # ASME VIII-1 App. 2, b0 limit of 6.35 mm (from memory)
WIDE_FACTOR: Final = 2.52  # ASME VIII-1 App. 2, b = 2.52 sqrt(b0) in mm (from memory)
PSI_PA: Final = 6894.757  # 1 psi in Pa (NIST SP 811)


class GasketAction(StrEnum):
    """What happens to the gasket of a joint."""

    NEW = "new"
    LEAVE = "leave"


@dataclass(frozen=True, slots=True)
class GasketRenewal:
    """Whether a new gasket goes in, and whether the joint can be closed at all."""

    action: GasketAction
    can_close: bool
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class GasketData:
    """Design factors and assembly stresses of a kind of gasket; None where nothing was seen."""

    kind: str
    factor: float
    yield_pa: float
    assembly_low_pa: float | None
    assembly_high_pa: float | None
    source: str


def effective_width(contact_width_m: float) -> float:
    """Effective seating width b of a gasket, m.

    Parameters
    ----------
    contact_width_m : width N of the ring that touches both faces, m, 0.0005 to 0.200

    Returns
    -------
    float : b0 = N/2 if that is at most 6.35 mm, otherwise 2.52 sqrt(b0) with b0 in mm

    Raises
    ------
    OutOfRange : missing, not finite or outside the range

    Assumptions
    -----------
    Flat faces, the plain row of the sketch table (b0 = N/2).

    Source
    ------
    ASME VIII-1 Appendix 2, from memory.

    Examples
    --------
    >>> effective_width(0.0105)
    0.00525
    """
    half = require_plausible("gasket_width_m", contact_width_m, "contact_width_m") / 2
    return half if half <= NARROW_LIMIT_M else WIDE_FACTOR * sqrt(half * 1e3) / 1e3


def reaction_diameter(outside_m: float, *, contact_width_m: float) -> float:
    """Diameter G at which the gasket load acts, m.

    Parameters
    ----------
    outside_m : outside diameter of the contact ring, m
    contact_width_m : its width N, m, below half of the outside diameter

    Returns
    -------
    float : mean contact diameter for narrow gaskets (b0 at most 6.35 mm), else outside - 2b

    Raises
    ------
    OutOfRange : an input is missing, not finite, outside its range or the width too large

    Assumptions
    -----------
    As `effective_width`.

    Source
    ------
    ASME VIII-1 Appendix 2, from memory.

    Examples
    --------
    >>> round(reaction_diameter(0.148, contact_width_m=0.0105), 6)
    0.1375
    """
    outside = require_plausible("gasket_diameter_m", outside_m, "outside_m")
    width = require_plausible("gasket_width_m", contact_width_m, "contact_width_m")
    require_below("contact_width_m", width, "half of outside_m", outside / 2)
    if width / 2 <= NARROW_LIMIT_M:
        return outside - width
    return outside - 2 * effective_width(width)


def operating_load(
    pressure_pa: float,
    *,
    reaction_diameter_m: float,
    effective_width_m: float,
    factor: float,
) -> float:
    """Bolt load needed in operation, Wm1, N: pressure end force plus gasket load.

    Parameters
    ----------
    pressure_pa : design pressure above the surroundings, Pa, 0 to 1e8
    reaction_diameter_m : G, m
    effective_width_m : b, m
    factor : gasket factor m, 0 to 10

    Returns
    -------
    float : pi/4 G^2 p + 2 b pi G m p, N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    No outside forces or moments on the joint. m is a design factor, not an assembly stress.

    Source
    ------
    ASME VIII-1 Appendix 2, from memory; m from a public copy of table 2-5.1 (seen).

    Examples
    --------
    Spiral wound, 40 bar (derived value 113.82 kN):

    >>> load = operating_load(
    ...     4.0e6, reaction_diameter_m=0.1375, effective_width_m=0.00525, factor=3.0)
    >>> round(load / 1e3, 2)
    113.82
    """
    pressure = require_plausible("pressure_pa", pressure_pa)
    diameter = require_plausible("gasket_diameter_m", reaction_diameter_m, "reaction_diameter_m")
    width = require_plausible("gasket_width_m", effective_width_m, "effective_width_m")
    require_below("effective_width_m", width, "reaction_diameter_m", diameter)
    m = require_plausible("gasket_factor", factor, "factor")
    return pi / 4 * diameter**2 * pressure + 2 * width * pi * diameter * m * pressure


def seating_load(*, reaction_diameter_m: float, effective_width_m: float, yield_pa: float) -> float:
    """Bolt load needed to seat the gasket, Wm2, N.

    Parameters
    ----------
    reaction_diameter_m : G, m
    effective_width_m : b, m
    yield_pa : seating factor y, Pa, 0 (self-energised) to 300e6

    Returns
    -------
    float : pi b G y, N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    y is a design factor, a lower check; the assembly stress comes from the joint's record.

    Source
    ------
    ASME VIII-1 Appendix 2, from memory; y from a public copy of table 2-5.1 (seen).

    Examples
    --------
    Spiral wound, y 10 000 psi (derived value 156.37 kN):

    >>> load = seating_load(reaction_diameter_m=0.1375, effective_width_m=0.00525, yield_pa=68.95e6)
    >>> round(load / 1e3, 1)
    156.4
    """
    diameter = require_plausible("gasket_diameter_m", reaction_diameter_m, "reaction_diameter_m")
    width = require_plausible("gasket_width_m", effective_width_m, "effective_width_m")
    require_below("effective_width_m", width, "reaction_diameter_m", diameter)
    y = require_plausible("gasket_yield_pa", yield_pa, "yield_pa")
    return pi * width * diameter * y


def contact_area(*, outside_m: float, inside_m: float) -> float:
    """Contact area of a ring gasket, m2.

    Parameters
    ----------
    outside_m, inside_m : diameters of the contact ring, m; inside smaller

    Returns
    -------
    float : pi/4 (outside^2 - inside^2), m2

    Raises
    ------
    OutOfRange : an input is missing, not finite, outside its range, or inside is not smaller

    Assumptions
    -----------
    Plain ring.

    Source
    ------
    Geometry.

    Examples
    --------
    >>> round(contact_area(outside_m=0.148, inside_m=0.127) * 1e6)
    4536
    """
    outside = require_plausible("gasket_diameter_m", outside_m, "outside_m")
    inside = require_plausible("gasket_diameter_m", inside_m, "inside_m")
    require_below("inside_m", inside, "outside_m", outside)
    return pi / 4 * (outside**2 - inside**2)


def gasket_stress(count: int, *, bolt_load_n: float, outside_m: float, inside_m: float) -> float:
    """Mean stress on a gasket, Pa: sum of the bolt loads over the contact area.

    Parameters
    ----------
    count : number of bolts, 2 to 200
    bolt_load_n : load of each, N
    outside_m, inside_m : contact ring, m

    Returns
    -------
    float : Pa

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range, or the stress is beyond
        anything a gasket is made for (0.1 to 1500 MPa): a unit slip

    Assumptions
    -----------
    No pressure; bolts equally loaded.

    Source
    ------
    Statics.

    Examples
    --------
    8 bolts of 54 kN on 148/127 mm (derived value 95.24 MPa):

    >>> stress = gasket_stress(8, bolt_load_n=54e3, outside_m=0.148, inside_m=0.127)
    >>> round(stress / 1e6, 2)
    95.24
    """
    bolts = require_count("count", count, at_least=2, at_most=200, why="count the bolts")
    load = require_plausible("preload_n", bolt_load_n, "bolt_load_n")
    stress = bolts * load / contact_area(outside_m=outside_m, inside_m=inside_m)
    if not 0.1e6 <= stress <= 1500e6:
        raise OutOfRange(
            "bolt_load_n",
            load,
            "such that the gasket carries 0.1 to 1500 MPa",
            f"it would carry {stress / 1e6:.3g} MPa; check the units of load and diameters",
        )
    return stress


def pressure_end_force(pressure_pa: float, *, diameter_m: float) -> float:
    """Force of a pressure on a cover, N.

    Parameters
    ----------
    pressure_pa : pressure above the surroundings, Pa, 0 to 1e8
    diameter_m : sealing diameter, m

    Returns
    -------
    float : p pi/4 D^2, N

    Raises
    ------
    OutOfRange : an input is missing, not finite or outside its range

    Assumptions
    -----------
    Pressure on the whole circle.

    Source
    ------
    Statics.

    Examples
    --------
    One bar left under a 120 mm cover (derived value 1131 N):

    >>> round(pressure_end_force(1e5, diameter_m=0.120))
    1131
    """
    pressure = require_plausible("pressure_pa", pressure_pa)
    diameter = require_plausible("gasket_diameter_m", diameter_m, "diameter_m")
    return pressure * pi / 4 * diameter**2


def gasket_data(kind: str) -> GasketData:
    """Design factors and assembly stresses of a listed kind of gasket.

    Parameters
    ----------
    kind : a name of `data/gasket_factors.csv`, exactly

    Returns
    -------
    GasketData : stresses in Pa

    Raises
    ------
    OutOfRange : the kind is not listed

    Assumptions
    -----------
    A joint's own record goes before this table.

    Source
    ------
    Public copy of ASME VIII-1 table 2-5.1 and a practitioner thread (both seen).

    Examples
    --------
    >>> gasket_data("spiral wound").factor
    3.0
    """
    rows = {row["kind"]: row for row in table("gasket_factors")}
    row = rows[require_member("kind", kind, tuple(rows), "take the data from the gasket's maker")]
    low, high = (
        float(row[name]) * 1e6 if row[name] else None
        for name in ("assembly_low_mpa", "assembly_high_mpa")
    )
    return GasketData(kind, float(row["m"]), float(row["y_psi"]) * PSI_PA, low, high, row["source"])


def gasket_renewal(*, joint_was_opened: bool, new_gasket_in_stock: bool) -> GasketRenewal:
    """Whether a joint needs a new gasket, and whether it can be closed.

    Parameters
    ----------
    joint_was_opened : True as soon as the seal was broken
    new_gasket_in_stock : True if the right new gasket is at hand

    Returns
    -------
    GasketRenewal : any opened joint gets a new gasket; without one it cannot be closed

    Raises
    ------
    OutOfRange : an answer is missing

    Assumptions
    -----------
    Rings and self-energised seals too, as policy.

    Source
    ------
    Public extract of ASME PCC-1:2000 clause 6 (seen); common practice.

    Examples
    --------
    >>> gasket_renewal(joint_was_opened=True, new_gasket_in_stock=False).can_close
    False
    """
    opened = require_flag("joint_was_opened", joint_was_opened, "say if the seal was broken")
    stocked = require_flag("new_gasket_in_stock", new_gasket_in_stock, "look at the kit")
    if not opened:
        reason = Reason("not_opened", "The joint was not opened; the gasket stays.")
        return GasketRenewal(GasketAction.LEAVE, True, (reason,))
    reasons = [
        Reason(
            "opened_joint",
            "An opened joint gets a new gasket; record and scrap the old one. No grease, paste or "
            "sealant on gasket or faces.",
        )
    ]
    if not stocked:
        reasons.append(
            Reason("no_gasket", "No new gasket at hand: the joint cannot be closed. Get one first.")
        )
    return GasketRenewal(GasketAction.NEW, stocked, tuple(reasons))
