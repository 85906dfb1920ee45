"""Catalogue entries: what to do with a worn part, and how a clearance grows."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from valvecare.engineering import wear, wear_trend
from valvecare.engineering.catalogue.forms import Computation, Example, Form, Group, Input
from valvecare.engineering.catalogue.parts import (
    HOUR,
    MM,
    MM_PER_1000_H,
    choice,
    number,
    out,
    range_of,
    rows,
    whole,
    yes_no,
)
from valvecare.engineering.plausible import Window

_CANNOT = "Not measured or not on record: the answer is 'cannot decide'."
_COMMON = "common practice; limits are part data"
_CAUTIONS = ("sharp-parts", "lapping")
_DAMAGE = tuple(str(kind) for kind in wear.Damage)
_KINDS = Input(
    name="damage", label="Kinds of damage seen", form=Form.CHOICES, si="kinds",
    choices=_DAMAGE, example=[], help="An empty list says: looked, none seen.",
)  # fmt: skip


def _length(name: str, label: str, si: str, example: float, most: float) -> Input:
    window = Window("metres, not mm", at_least=0.0, at_most=most)
    return number(name, label, si, MM, window, example, if_absent=_CANNOT)


def _seat(v: Mapping[str, Any]) -> wear.Disposition:
    def record(kind: Any) -> Any:
        return kind(**{field.name: v[field.name] for field in fields(kind)})

    return wear.seat_disposition(
        record(wear.SeatMeasurement), record(wear.SeatLimits), kinds=v["kinds"]
    )


def _life(v: Mapping[str, Any]) -> wear_trend.WearLife:
    trend = wear_trend.wear_trend(**v["readings"], repeatability_m=v["repeatability_m"])
    return wear_trend.hours_to_limit(trend, limit_m=v["limit_m"], at_hours=v["at_hours"])


_READINGS = rows(
    "readings", "Readings of this part", "readings",
    (
        number("hours_h", "Running hours", "hours", HOUR, range_of("hours"), 0.0),
        number("clearance_mm", "Clearance", "clearances_m", MM, range_of("clearance_m"), 0.06),
    ),
    ((0.0, 0.06), (4000.0, 0.078), (8000.0, 0.101), (12_000.0, 0.119)), least=1,
    help="Ascending in hours; three or more for a trend.",
)  # fmt: skip
_REPEATABILITY = number(
    "repeatability_mm", "Repeatability of the gauge", "repeatability_m", MM,
    Window("m", at_least=1e-7, at_most=0.001), 0.005,
)  # fmt: skip
_DISPOSITION = (
    out("decision", "Decision", "decision"),
    out("blocks_close_up", "Blocks closing up", "blocks_close_up"),
    out("is_provisional", "Provisional", "is_provisional"),
)

ENTRIES = (
    Computation(
        name="seat-disposition",
        title="What to do with a seat face",
        group=Group.WEAR,
        purpose="Reuse, lap, replace or cannot decide, with the metal left.",
        function=wear.seat_disposition,
        run=_seat,
        inputs=(
            number("thickness_mm", "Thickness measured", "thickness_m", MM,
                   range_of("thickness_m"), 8.0, if_absent=_CANNOT),
            _length("damage_depth_mm", "Depth of the damage", "damage_depth_m", 0.1, 0.05),
            yes_no("contact_ring_complete", "Contact ring complete", "contact_ring_complete",
                   True, if_absent=_CANNOT),
            whole("laps_done", "Lappings so far", "laps_done", 0, 50, 1, if_absent=_CANNOT),
            number("thickness_min_mm", "Part data: least thickness", "thickness_min_m", MM,
                   range_of("thickness_m"), 7.5, if_absent=_CANNOT),
            number("reuse_depth_mm", "Part data: depth that may stay", "reuse_depth_m", MM,
                   range_of("wear_limit_m"), 0.02, if_absent=_CANNOT),
            number("overcut_mm", "Part data: cut below the damage", "overcut_m", MM,
                   range_of("wear_limit_m"), 0.02, if_absent=_CANNOT),
            number("max_per_event_mm", "Part data: most to take off at once", "max_per_event_m",
                   MM, range_of("wear_limit_m"), 0.3, if_absent=_CANNOT),
            whole("max_laps", "Part data: most lappings", "max_laps", 0, 50, 3,
                  if_absent=_CANNOT),
            _KINDS,
        ),
        outputs=(*_DISPOSITION, out("remaining_mm", "Metal left", "remaining", MM)),
        formula="left = thickness - (depth + overcut) - least thickness",
        sources=(_COMMON,),
        cautions=_CAUTIONS,
        example=Example(
            expected={"decision": "lap", "remaining_mm": 0.38}, tolerance=1e-6,
            source="8.00 - 0.12 - 7.50, by hand",
        ),
        page="part-disposition",
    ),
    Computation(
        name="part-disposition",
        title="What to do with a part that has one limit",
        group=Group.WEAR,
        purpose="Guide clearance, lost motion, wall: reuse, replace or cannot decide.",
        function=wear.limit_disposition,
        run=lambda v: wear.limit_disposition(
            v["measured"], limit=v["limit"], worse_when=wear.WorseWhen(v["worse_when"]),
            unit="m", kinds=v["kinds"],
            severe=frozenset(wear.Damage(word) for word in v["severe"]),
        ),
        inputs=(
            _length("measured_mm", "Measured", "measured", 0.31, 0.5),
            number("limit_mm", "Part data: limit", "limit", MM,
                   Window("m", at_least=1e-6, at_most=0.5), 0.45, if_absent=_CANNOT),
            choice("worse_when", "It is worse when", "worse_when", tuple(wear.WorseWhen),
                   "higher"),
            _KINDS,
            Input(
                name="severe_damage", label="Damage that ends this part at once",
                form=Form.CHOICES, si="severe", choices=_DAMAGE,
                example=["crack", "bent", "galling"], help="Part data; may be empty.",
            ),
        ),
        outputs=(*_DISPOSITION, out("remaining_mm", "Distance to the limit", "remaining", MM)),
        formula="remaining = limit - measured (or the other way round)",
        sources=(_COMMON,),
        cautions=_CAUTIONS,
        example=Example(
            expected={"decision": "reuse", "remaining_mm": 0.14}, tolerance=1e-6,
            source="0.45 - 0.31",
        ),
        page="part-disposition",
    ),
    Computation(
        name="clearance-trend",
        title="Growth of a clearance with running hours",
        group=Group.WEAR,
        purpose="The fitted growth, or why there is none.",
        function=wear_trend.wear_trend,
        run=lambda v: wear_trend.wear_trend(**v["readings"], repeatability_m=v["repeatability_m"]),
        inputs=(_READINGS, _REPEATABILITY),
        outputs=(
            out("state", "Trend", "state"),
            out("growth_mm_per_1000_h", "Growth", "slope_m_per_h", MM_PER_1000_H),
            out("method", "Method", "method"),
        ),
        formula="least squares, or the median of slopes if a reading lies off the line",
        sources=("least squares; Theil-Sen: textbooks",),
        example=Example(
            expected={"state": "trend", "growth_mm_per_1000_h": 0.005},
            source="least squares by hand: 0.005 mm per 1000 h", tolerance=1e-2,
        ),
        page="wear-trend",
    ),
    Computation(
        name="clearance-life",
        title="Hours until a clearance meets its limit",
        group=Group.WEAR,
        purpose="Hours left on the fitted line, and when to look again.",
        function=wear_trend.hours_to_limit,
        run=_life,
        inputs=(
            _READINGS,
            _REPEATABILITY,
            number("limit_mm", "Part data: limit", "limit_m", MM, range_of("clearance_m"), 0.2),
            number("at_hours_h", "Running hours now", "at_hours", HOUR, range_of("hours"),
                   12_000.0),
        ),
        outputs=(
            out("hours_left_h", "Hours left", "hours_left", HOUR),
            out("next_check_in_h", "Look again in", "next_check_in_h", HOUR),
            out("at_limit", "At the limit already", "at_limit"),
        ),
        formula="h = (limit - a)/b - now; next check at half of it",
        sources=("half of the remaining life: pressure equipment practice (from memory)",),
        example=Example(
            expected={"hours_left_h": 16_100.0}, tolerance=1e-2,
            source="least squares line 0.0595 + 0.005 mm per 1000 h, by hand: 28 100 h - 12 000 h",
        ),
        page="wear-trend",
    ),
)  # fmt: skip
