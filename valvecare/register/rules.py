"""Closed word lists of the register, limits of its numbers, and what it refuses, with reasons."""

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from valvecare.core.errors import Reason


class PumpRole(StrEnum):
    DUTY = "duty"
    STANDBY = "standby"


class ValveStatus(StrEnum):
    IN_SERVICE = "in service"
    SPARE = "spare"
    RETIRED = "retired"


class Attitude(StrEnum):
    """How the valve sits in the pipe; a wrong attitude alone can make a disc hang open."""

    HORIZONTAL = "horizontal"
    VERTICAL_UP = "vertical, flow upwards"
    VERTICAL_DOWN = "vertical, flow downwards"
    NOT_KNOWN = "not known"


class ReturnsTo(StrEnum):
    VESSEL = "vessel"
    SUCTION = "suction pipe"
    NOT_KNOWN = "not known"


class CoverFastener(StrEnum):
    """What holds the cover."""

    BOLT = "bolt"
    STUD_AND_NUT = "stud and nut"
    NOT_KNOWN = "not known"


class CoverClosure(StrEnum):
    """What makes the cover tight."""

    BOLTED = "bolted gasket"
    PRESSURE_SEAL = "pressure-seal ring"
    NOT_KNOWN = "not known"


class BodyLining(StrEnum):
    """Whether the body is lined or coated inside."""

    LINED = "lined"
    PLAIN = "not lined"
    NOT_KNOWN = "not known"


class Washers(StrEnum):
    """Whether washers lie under nut or head of the cover."""

    WITH = "with washers"
    WITHOUT = "without washers"
    NOT_KNOWN = "not known"


class LabelKind(StrEnum):
    """What a label is fixed to."""

    VALVE = "valve"
    PUMP = "pump"
    BIN = "bin"
    KIT = "kit"


class Scope(StrEnum):
    """What a machine token may do. Closed list; an endpoint without a scope is shut to tokens."""

    READINGS_WRITE = "readings:write"
    READINGS_READ = "readings:read"
    DUE_READ = "due:read"
    WORK_READ = "work:read"
    PROTECTION_READ = "protection:read"
    REGISTER_READ = "register:read"
    CALCULATIONS_RUN = "calculations:run"
    PARTS_READ = "parts:read"
    PARTS_WRITE = "parts:write"


ACTS_AS_STOREKEEPER = frozenset({Scope.PARTS_WRITE.value})
"""Scopes whose service user holds the storekeeper's role at its sites."""


class SheetKind(StrEnum):
    """Sheets of an import file, in the order in which they are read."""

    SITES = "sites"
    GROUPS = "groups"
    DESIGNS = "designs"
    PUMPS = "pumps"
    CURVE_POINTS = "curve points"
    VALVES = "valves"


def choices(words: type[StrEnum]) -> list[tuple[str, str]]:
    """The enumeration as Django choices; the word is stored and shown."""
    return [(word.value, word.value) for word in words]


BIG = 1e9


@dataclass(frozen=True)
class Limit:
    """A two-sided range; two sides, because `> 0` alone lets NaN into PostgreSQL."""

    low: float = 0.0
    high: float = BIG
    low_counts: bool = False

    def holds(self, value: float) -> bool:
        above = value >= self.low if self.low_counts else value > self.low
        return math.isfinite(value) and above and value <= self.high

    @property
    def words(self) -> str:
        if self.low_counts:
            return f"from {self.low:g} to {self.high:g}"
        return f"above {self.low:g}, at most {self.high:g}"


POSITIVE = Limit()
NOT_NEGATIVE = Limit(low_counts=True)
SHARE = Limit(0.0, 1.0)
PRESSURE_BAR_G = Limit(-1.1, 2000.0, low_counts=True)
TEMPERATURE_DEGC = Limit(-273.0, 1000.0)

LIMITS: Mapping[str, Limit] = {
    "motor_efficiency": SHARE,
    "liquid_recovery_factor": SHARE,
    "preload_loss_limit_share": SHARE,
    "holes_open_limit_share": SHARE,
    "cover_preload_share": SHARE,
    "cover_friction_thread": SHARE,
    "cover_friction_head": SHARE,
    "cover_nut_factor": SHARE,
    "suction_pressure_bar_g": PRESSURE_BAR_G,
    "back_pressure_bar_g": PRESSURE_BAR_G,
    "return_static_bar_g": PRESSURE_BAR_G,
    "atmospheric_pressure_bar_a": Limit(0.4, 1.2, low_counts=True),
    "suction_temperature_degc": TEMPERATURE_DEGC,
    "return_line_lagging_mm": NOT_NEGATIVE,
    "flow_m3_per_h": NOT_NEGATIVE,
    "shaft_power_kw": POSITIVE,
    "built_year": Limit(1850, 2200, low_counts=True),
}
"""Ranges by field name; a number not named here must be positive. They keep nonsense out, they
are not judgements of a good pump or valve."""


def limit_of(field: str) -> Limit:
    return LIMITS.get(field, POSITIVE)


HYDRAULIC_FIELDS = frozenset(
    {
        "speed_rpm",
        "impeller_diameter_mm",
        "curve_speed_rpm",
        "curve_density_kg_per_m3",
        "best_flow_m3_per_h",
        "returns_to",
        "return_line_dn",
        "back_pressure_bar_g",
        "return_static_bar_g",
    }
)
"""Fields whose change means: computed evidence of before counts no longer. With the curve."""


OWNER_FIELDS = HYDRAULIC_FIELDS | {
    "curve",
    "curve_source",
    "duty_flow_m3_per_h",
    "npsh_required_m",
    "stable_min_flow_m3_per_h",
    "stable_min_flow_source",
    "allowed_rise_k",
    "allowed_rise_source",
    "liquid_volume_m3",
    "metal_mass_kg",
}
"""What the owner of the pump answers for: changing it asks for the permit `change_pump`."""


def permits_of_pump_change(moved: Collection[str]) -> list[str]:
    """The permits a change of these fields of a pump asks for."""
    owner = [name for name in moved if name in OWNER_FIELDS]
    permits = ["change_pump"] if owner else []
    if len(owner) < len(moved) or not moved:
        permits.append("change_register")
    return permits


def hydraulics_moved(moved: Mapping[str, tuple[Any, Any]], not_known: Collection[Any]) -> list[str]:
    """Names of the hydraulic fields that moved from one known value to another.

    Filling in what was not known is no change of the machine.
    """
    return sorted(
        name
        for name, (before, _) in moved.items()
        if (name in HYDRAULIC_FIELDS or name == "curve") and before not in not_known
    )


def why_not_without_reason(moved: Sequence[str], reason: str) -> Reason | None:
    """A change of the hydraulics moves what counts as evidence, so it needs a reason."""
    if moved and not reason.strip():
        return Reason(
            "reason_needed",
            f"Changing {', '.join(moved)} moves what counts as evidence that the pump is "
            "protected.",
            "Give the reason of the change.",
            {"fields": list(moved)},
        )
    return None


def why_not_curve(points: Sequence[tuple[float, float, float | None]]) -> Reason | None:
    """`points` are flow m³/h, head m, shaft power kW or None. Two or more, flows all different."""
    if len(points) < 2:
        return Reason(
            "curve_too_short",
            f"A curve needs two or more points, not {len(points)}.",
            "Give the points from shut-off to the end of the curve.",
        )
    flows = [flow for flow, _, _ in points]
    if len(set(flows)) != len(flows):
        twice = sorted({flow for flow in flows if flows.count(flow) > 1})
        return Reason(
            "curve_flow_twice",
            f"The flow {twice[0]:g} m³/h occurs more than once in the curve.",
            "Keep one point per flow.",
            {"flows_m3_per_h": twice},
        )
    for flow, head, power in points:
        for name, value in (("flow_m3_per_h", flow), ("head_m", head), ("shaft_power_kw", power)):
            if value is not None and not limit_of(name).holds(value):
                return Reason(
                    "curve_point_insane",
                    f"{name} {value:g} at flow {flow:g} m³/h is not {limit_of(name).words}.",
                    "Check the unit and the point.",
                )
    return None


def why_not_change(name: str, *, is_retired: bool) -> Reason | None:
    """What has left service keeps its last state."""
    if is_retired:
        return Reason(
            "retired",
            f"{name} is retired; a retired record is not changed.",
            "Bring it back first, with a reason.",
        )
    return None


def why_not_retire(
    name: str, *, is_retired: bool, holds: Sequence[str], what: str, reason: str
) -> Reason | None:
    """Refuse retiring what is retired already, still carries others, or is given no reason."""
    if is_retired:
        return Reason("retired", f"{name} is retired already.", "Nothing needs to be done.")
    if not reason.strip():
        return Reason("reason_needed", f"{name} leaves service.", "Give the reason.")
    if holds:
        named = ", ".join(holds[:5]) + (f" and {len(holds) - 5} more" if len(holds) > 5 else "")
        return Reason(
            "still_carries",
            f"{name} still carries {what}: {named}.",
            f"Retire or move the {what} first.",
            {"count": len(holds)},
        )
    return None


def why_not_move(name: str, *, from_site: str, to_site: str) -> Reason | None:
    """A pump or valve keeps its site: its readings, evidence and readers belong there."""
    if from_site != to_site:
        return Reason(
            "stays_at_its_site",
            f"{name} belongs to site {from_site} and cannot move to site {to_site}.",
            "Retire it there and add it at the other site.",
        )
    return None


def is_placed_anew(*, pump_moves: bool, status: str, status_was: str) -> bool:
    """Another pump, or back from the shelf: what was proven before was proven elsewhere."""
    in_service = ValveStatus.IN_SERVICE.value
    return pump_moves or (status == in_service and status_was != in_service)


def tag_in_use(name: str, *, at: str) -> Reason:
    """One tag names one thing at a site."""
    return Reason(
        "tag_in_use",
        f"The tag {name} is in use at site {at} already.",
        "Use the tag of the plate; change the other record first when that one is wrong.",
    )


def why_not_end_membership(*, role: str, is_administrator: bool, others: int) -> Reason | None:
    """A site keeps one person who can give roles, unless an installation administrator acts."""
    if role == "site administrator" and others == 0 and not is_administrator:
        return Reason(
            "last_administrator",
            "This is the last site administrator of the site.",
            "Name another site administrator first.",
        )
    return None


def why_not_lose_administrator(*, was: bool, stays: bool, others: int) -> Reason | None:
    """An installation keeps one active administrator who can sign in."""
    if was and not stays and others == 0:
        return Reason(
            "last_administrator",
            "This is the last active administrator of the installation.",
            "Make another person administrator first.",
        )
    return None


MAX_TOKEN_DAYS = 366
MAX_LIVE_TOKENS = 2


def why_not_issue(
    *, name: str, sites: Collection[Any], scopes: Iterable[str], days: int
) -> list[Reason]:
    """All that is wrong with the wish for a machine token."""
    reasons = []
    if not name.strip():
        reasons.append(Reason("name_needed", "The token has no name.", "Name the plant system."))
    if not sites:
        reasons.append(Reason("sites_needed", "The token has no site.", "Name one or more sites."))
    scopes = list(scopes)
    known = {scope.value for scope in Scope}
    unknown = sorted(set(scopes) - known)
    if unknown:
        reasons.append(
            Reason(
                "scope_unknown",
                f"Unknown scope: {', '.join(unknown)}.",
                f"Choose from {', '.join(sorted(known))}.",
            )
        )
    if not scopes:
        reasons.append(
            Reason(
                "scopes_needed",
                "The token has no scope.",
                f"Choose from {', '.join(sorted(known))}.",
            )
        )
    if not 1 <= days <= MAX_TOKEN_DAYS:
        reasons.append(
            Reason(
                "life_out_of_range",
                f"A token lives 1 to {MAX_TOKEN_DAYS} days, not {days}.",
                "Choose a shorter life and rotate with overlap.",
            )
        )
    return reasons


def why_not_rotate(*, live: int, is_live: bool) -> Reason | None:
    """Rotation keeps the old and the new token alive side by side, never more."""
    if not is_live:
        return Reason(
            "token_ended", "This token is revoked or expired.", "Issue a new credential instead."
        )
    if live >= MAX_LIVE_TOKENS:
        return Reason(
            "two_live_tokens",
            f"This credential has {live} live tokens already.",
            "Revoke the old one first.",
        )
    return None


LABEL_ALPHABET = "23456789ABCDEFGHJKLMNPQRSTVWXYZ"
"""Upper case and digits without 0, 1, I, O and U: hard to misread on a plate, and inside the
alphanumeric set of ISO/IEC 18004 (from memory), so that the code stays small."""
LABEL_LENGTH = 8
_CODE = re.compile(rf"[{LABEL_ALPHABET}]{{{LABEL_LENGTH}}}", re.ASCII)


def label_code(text: str) -> str | None:
    """The code in what was scanned or typed: the code alone, or the address on the label.

    >>> label_code(" 7kq3-9mxt "), label_code("HTTPS://PLANT.EXAMPLE/L/7KQ39MXT/")
    ('7KQ39MXT', '7KQ39MXT')
    >>> label_code("NH-FW-3V") is None
    True
    """
    wanted = text.strip().upper()
    if "/" in wanted:
        found = re.search(rf"/L/([{LABEL_ALPHABET}]{{{LABEL_LENGTH}}})/?$", wanted, re.ASCII)
        return found.group(1) if found else None
    bare = wanted.replace(" ", "").replace("-", "")
    return bare if _CODE.fullmatch(bare) else None


def why_not_label(name: str, *, live_code: str | None, is_retired: bool) -> Reason | None:
    """One live label per thing: a second plate with another code would be two identities."""
    if is_retired:
        return why_not_change(name, is_retired=True)
    if live_code is not None:
        return Reason(
            "label_exists",
            f"{name} has the label {live_code} already.",
            "Print it again, or retire it first if the plate is lost.",
            {"code": live_code},
        )
    return None


def why_not_retire_label(code: str, reason: str, *, is_retired: bool) -> Reason | None:
    if is_retired:
        return Reason("label_retired", f"The label {code} is retired already.", "Nothing to do.")
    if not reason.strip():
        return Reason(
            "reason_needed",
            f"The label {code} is not retired without a reason.",
            "Say what became of the plate: lost, damaged, on the wrong valve.",
        )
    return None


KEPT_BY_ACTIONS = frozenset(
    {"id", "version", "retired_at", "placed_at", "hydraulics_changed_on", "hydraulics_change"}
)
"""Columns that an action writes as a consequence; no person and no file gives them."""
