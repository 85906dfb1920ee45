"""One pushed row, and when a declaration or report cannot be taken."""

from collections.abc import Collection
from datetime import datetime
from typing import Annotated, Literal

import msgspec

from valvecare.core.errors import Reason
from valvecare.readings.rules.words import EARLIEST_US, US_PER_S, PlantEventKind

Tag = Annotated[str, msgspec.Meta(min_length=1, max_length=80)]


class Row(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """One pushed reading as it arrives. Decoding checks the types, `push_readings` the rest."""

    series: Tag
    at: Annotated[datetime, msgspec.Meta(tz=True)]
    value: float
    unit: Annotated[str, msgspec.Meta(max_length=16)]
    quality: Literal["good", "uncertain", "bad"] = "good"
    site: Annotated[str, msgspec.Meta(max_length=12)] | None = None
    source_key: Annotated[str, msgspec.Meta(max_length=80)] | None = None


def why_not_declare(
    *, is_counter: bool, event_us: int, earliest_us: int, latest_us: int
) -> Reason | None:
    """May a meter event be declared for this series at this instant?"""
    if not is_counter:
        return Reason("not_a_counter", "Only counters have meter events.")
    if event_us < earliest_us:
        return Reason("time_too_old", "The time lies before 1990.", "Give the true time.")
    if event_us > latest_us:
        return Reason(
            "future_time", "The time lies in the future.", "Declare it when it has happened."
        )
    return None


def why_not_plant_event(
    *, pumps: int, kind: str, event_at: datetime, latest: datetime, duration_s: float | None
) -> Reason | None:
    """May a reported event be stored? `pumps`: how many pumps its tag names."""
    if pumps == 0:
        return Reason(
            "unknown_pump", "No pump of this tag is known at your sites.", "Add it first."
        )
    if pumps > 1:
        return Reason(
            "ambiguous_pump", "This tag names more than one pump.", "Name the site of the event."
        )
    if event_at > latest:
        return Reason("future_time", "The time lies in the future.", "Set the sender's clock.")
    if event_at.timestamp() * US_PER_S < EARLIEST_US:
        return Reason("time_too_old", "The time lies before 1990.", "Set the sender's clock.")
    if kind == PlantEventKind.LOW_LOAD.value and duration_s is None:
        return Reason("missing_duration_s", "Low load needs its duration.", "Send duration_s.")
    return None


def why_not_change_series(changed: Collection[str], *, points: int) -> Reason | None:
    """What the stored values mean must not change under them."""
    fixed = sorted({"unit", "quantity"} & set(changed))
    if fixed and points:
        return Reason(
            "has_readings",
            f"The series has {points} readings; its {' and '.join(fixed)} cannot change.",
            "Retire it and add a new series.",
        )
    return None
