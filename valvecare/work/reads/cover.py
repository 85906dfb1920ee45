"""How the cover of a valve is let go and lifted, from the register."""

from dataclasses import dataclass

from valvecare.core.conf import options
from valvecare.core.models import NOT_KNOWN
from valvecare.engineering.errors import Refusal
from valvecare.engineering.lifting import LiftingPolicy, LiftingVerdict, lifting_verdict
from valvecare.engineering.release import (
    ReleaseNeed,
    ReleasePolicy,
    ReleaseWay,
    SpringRecord,
    SpringState,
    release_need,
    rod_counts,
    rod_positions,
)
from valvecare.register.models import ProtectionValve, ValveDesign
from valvecare.register.rules import CoverClosure


@dataclass(frozen=True, slots=True)
class Release:
    """How the cover is let go: the way and its numbers, or why nothing can be said."""

    need: ReleaseNeed | None
    refusal: str
    bolt_count: int | None
    rods: tuple[int, ...]
    instructions: tuple[str, ...]

    @property
    def way(self) -> ReleaseWay | None:
        return self.need.way if self.need else None

    @property
    def clamp(self) -> bool:
        return self.way is ReleaseWay.TREAT_AS_LOADED

    @property
    def words(self) -> str:
        if self.need is None:
            return self.refusal
        return " ".join(reason.text for reason in self.need.reasons)


@dataclass(frozen=True, slots=True)
class Lifting:
    verdict: LiftingVerdict | None
    refusal: str
    mass_kg: float | None

    @property
    def words(self) -> str:
        if self.verdict is None:
            return self.refusal
        return " ".join(reason.text for reason in self.verdict.reasons)


def spring_known(valve: ProtectionValve) -> bool:
    """True when the plate and the spring data needed to release the cover are known."""
    design = valve.design
    return (
        design is not None
        and valve.serial != NOT_KNOWN
        and None
        not in (
            design.spring_rate_n_per_mm,
            design.spring_free_length_mm,
            design.spring_fitted_length_mm,
            design.stud_travel_mm,
        )
    )


def _m(value_mm: float | None) -> float | None:
    return None if value_mm is None else value_mm / 1e3


def release_of(valve: ProtectionValve) -> Release:
    """The release verdict from the register; a valve that is not identified counts as loaded."""
    design = valve.design
    if design is None:
        return Release(
            ReleaseNeed(ReleaseWay.TREAT_AS_LOADED, None, None, None, None, None, ("design",), ()),
            "",
            None,
            (),
            _LOADED,
        )
    if design.cover_closure == CoverClosure.PRESSURE_SEAL:
        # pull-up bolts only pull: with the segments out nothing but rods or a clamp holds the cover
        lacking = ("studs that hold a pressure-seal cover",)
        need = ReleaseNeed(ReleaseWay.TREAT_AS_LOADED, None, None, None, None, None, lacking, ())
        return Release(need, "", design.cover_bolt_count, (), _LOADED)
    known = spring_known(valve)
    spring = SpringRecord(
        rate_n_per_m=None
        if design.spring_rate_n_per_mm is None
        else design.spring_rate_n_per_mm * 1e3,
        free_m=_m(design.spring_free_length_mm),
        installed_m=_m(design.spring_fitted_length_mm),
        state=SpringState.SOUND if known else SpringState.NOT_KNOWN,
    )
    policy = ReleasePolicy(
        margin_m=options().RELEASE_MARGIN_MM / 1e3, hand_force_n=options().RELEASE_HAND_FORCE_N
    )
    count = design.cover_bolt_count
    try:
        need = release_need(spring, stud_travel_m=_m(design.stud_travel_mm), policy=policy)
        rods: tuple[int, ...] = ()
        if count is not None and need.way is not ReleaseWay.STANDARD_STUDS:
            rods = rod_positions(count, rods=rod_counts(count)[1])
    except Refusal as refusal:
        return Release(None, str(refusal), count, (), _LOADED)
    return Release(need, "", count, rods, _instructions(need, rods))


_LOADED = (
    "Do not release the cover with its studs, whatever their travel.",
    "Fit long rods in opposite positions, threaded over the clamped length, the full assembled "
    "spring length, a margin and one nut: measure on the valve.",
    "Hold the cover with a clamp that can take the full spring force before the first nut is "
    "loosened.",
    "Let an authorised person release this step; back off evenly, clear of the cover.",
)


def _instructions(need: ReleaseNeed, rods: tuple[int, ...]) -> tuple[str, ...]:
    if need.way is ReleaseWay.TREAT_AS_LOADED or need.free_travel_m is None:
        return _LOADED
    free = need.free_travel_m * 1e3
    if need.way is ReleaseWay.STANDARD_STUDS:
        return (
            "Back all nuts off evenly, in small equal turns, far side first.",
            f"Nuts stay on over at least {free:.4g} mm of travel, until the cover is free by hand.",
        )
    travel = (need.rod_travel_m or 0.0) * 1e3
    where = ", ".join(str(position) for position in rods) or "opposite positions"
    return (
        f"Fit cover rods at {where}, threaded over the clamped length (measure it), "
        f"{travel:.4g} mm and one nut.",
        "Remove the other nuts first, then back the rods off evenly, in small equal turns.",
        f"Nuts stay on the rods over at least {free:.4g} mm, until the cover is free by hand.",
        "On assembly compress the spring with the rods; never pull the cover down with the short "
        "studs.",
    )


def lifting_of(design: ValveDesign | None) -> Lifting:
    """How the cover is lifted. Nobody has assessed lifting by hand in the register."""
    mass = design.cover_mass_kg if design else None
    policy = LiftingPolicy(
        gear_from_kg=options().LIFTING_GEAR_FROM_KG, largest_team=options().LIFTING_TEAM
    )
    try:
        verdict = lifting_verdict(
            mass,
            mass_is_measured=mass is not None,
            load_is_stable_and_cool=True,
            posture=None,
            policy=policy,
        )
    except Refusal as refusal:
        return Lifting(None, str(refusal), mass)
    return Lifting(verdict, "", mass)
