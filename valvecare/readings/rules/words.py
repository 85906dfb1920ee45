"""Closed word lists and bounds of readings."""

from collections.abc import Mapping
from enum import IntEnum, StrEnum
from types import MappingProxyType

US_PER_S = 1_000_000
US_PER_DAY = 86_400 * US_PER_S
MICRO = 1_000_000
"""Totals are added up in whole millionths of the series' unit, so that no order can matter."""

EARLIEST_US = 631_152_000 * US_PER_S
"""1990-01-01: a clock that lost its time shows an earlier date."""

LATEST_US = 4_102_444_800 * US_PER_S
"""2100-01-01: beyond any run of the software, and below the limit of every date type."""

COUNTER_MOST = 9.0e9
"""Counters stay below this, so that whole millionths are exact in a double (2**53)."""

GAUGE_MOST = 1.0e8
"""Gauges stay below this on either side, so that a day's sum fits 64 bits."""


CLOCK_CODES = frozenset({"future_time", "time_too_old", "ahead_of_clock"})
"""Reasons of a row that say: the sender's clock is wrong."""


class SeriesKind(StrEnum):
    COUNTER = "counter"
    GAUGE = "gauge"


class Quantity(StrEnum):
    RUN_HOURS = "run hours"
    STARTS = "starts"
    BYPASS_TEMPERATURE = "bypass line temperature"
    INLET_TEMPERATURE = "inlet temperature"
    AMBIENT_TEMPERATURE = "ambient temperature"
    SUCTION_PRESSURE = "suction pressure"
    DISCHARGE_PRESSURE = "discharge pressure"
    MAIN_FLOW = "main flow"
    BYPASS_FLOW = "bypass flow"
    POWER = "power"
    VIBRATION = "vibration"
    REVERSE_SPEED = "reverse speed"
    STRAINER_DIFFERENCE = "strainer difference"
    VESSEL_LEVEL = "vessel level"


class Quality(IntEnum):
    """As the source says. Bad readings are kept and shown, and count for nothing."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2

    @property
    def word(self) -> str:
        return self.name.lower()


QUALITY_BY_WORD: Mapping[str, int] = MappingProxyType({q.word: int(q) for q in Quality})


class RowStatus(StrEnum):
    """What became of one pushed row."""

    CREATED = "created"
    DUPLICATE = "duplicate"
    CONFLICT = "conflict"
    REJECTED = "rejected"
    SET_ASIDE = "set aside"


class MeterEventKind(StrEnum):
    REPLACED = "replaced"
    ROLLOVER = "rollover"


class SetAsideState(StrEnum):
    WAITING = "waiting"
    ACCEPTED = "accepted"
    DISMISSED = "dismissed"


class PlantEventKind(StrEnum):
    """Things a plant system or person reports that matter to the valve's condition."""

    REVERSE_ROTATION = "reverse rotation"
    TRIP = "trip"
    LOSS_OF_SUCTION = "loss of suction"
    WATER_HAMMER = "water hammer"
    LOW_LOAD = "low load"


class Doubt(StrEnum):
    """Why a series is doubtful, the gravest first."""

    CLOCK = "clock_trouble"
    SET_ASIDE = "set_aside"
    METER = "meter_changed"
    SWAPPED = "swapped"
    UNIT_DRIFT = "unit_drift"
    FROZEN = "frozen"
    MISSING = "missing"
    SPIKES = "spikes"
