"""What is read in each step: quantity, unit, the gauges that read it. Common practice."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from valvecare.work.rules import GaugeKind, gauge_uncertainty
from valvecare.work.rules.test_methods import CLAMP_ON, HEAT, LEVEL, METER
from valvecare.work.rules.test_steps import Watched


class TestQuantity(StrEnum):
    """One thing read or seen during the test. Pressures are gauge pressures."""

    __test__ = False

    BYPASS_FLOW = "bypass flow"
    MAIN_FLOW = "main flow"
    PUMP_FLOW = "flow through the pump"
    BYPASS_SHUTS = "main flow at which the bypass shuts"
    BYPASS_OPENS = "main flow at which the bypass opens"
    SUCTION_PRESSURE = "suction pressure"
    DISCHARGE_PRESSURE = "discharge pressure"
    BACK_PRESSURE = "pressure at the bypass outlet"
    INLET_TEMPERATURE = "temperature at the pump inlet"
    OUTLET_TEMPERATURE = "temperature at the pump outlet"
    RETURN_TEMPERATURE = "temperature in the return line"
    ELECTRICAL_POWER = "electrical power"
    SPEED = "speed"
    LEVEL_RISE = "rise of the vessel's level"
    DURATION = "over the time"
    CURRENT = "motor current"
    VIBRATION = "vibration"
    PULSATION = "pressure pulsation"
    NOISE = "noise"
    REVERSE_SWING = "time turning backwards"
    HEADER_DECAY = "fall of the header pressure"
    JOINTS_TIGHT = "joints tight"
    CAVITATION_NOISE = "cavitation noise"
    RATTLE = "rattle at the valve"
    SLAM = "slam"
    TURNS_BACKWARDS = "pump turns backwards"
    BACK_FLOW = "back-flow through the bypass"


_Q, _G = TestQuantity, GaugeKind


@dataclass(frozen=True, slots=True)
class Spec:
    """Unit and gauges of a quantity; without gauges it is seen or heard, yes or no.

    `is_difference`: the gauge is read twice, and the value is the one reading less the other.
    """

    unit: str
    gauges: tuple[GaugeKind, ...]
    is_difference: bool = False

    @property
    def is_seen(self) -> bool:
        return not self.gauges


_FLOW = Spec("m³/h", (_G.FLOW_METER, _G.CLAMP_ON_METER))
_PRESSURE = Spec("bar g", (_G.PRESSURE_GAUGE,))
_TEMPERATURE = Spec("°C", (_G.THERMOMETER,))
_TIME = Spec("s", (_G.STOPWATCH,))
_SEEN = Spec("", ())

SPECS: Mapping[TestQuantity, Spec] = {
    _Q.BYPASS_FLOW: _FLOW,
    _Q.MAIN_FLOW: _FLOW,
    _Q.PUMP_FLOW: _FLOW,
    _Q.BYPASS_SHUTS: _FLOW,
    _Q.BYPASS_OPENS: _FLOW,
    _Q.SUCTION_PRESSURE: _PRESSURE,
    _Q.DISCHARGE_PRESSURE: _PRESSURE,
    _Q.BACK_PRESSURE: _PRESSURE,
    _Q.HEADER_DECAY: Spec("bar", (_G.PRESSURE_GAUGE,), is_difference=True),
    _Q.INLET_TEMPERATURE: _TEMPERATURE,
    _Q.OUTLET_TEMPERATURE: _TEMPERATURE,
    _Q.RETURN_TEMPERATURE: _TEMPERATURE,
    _Q.ELECTRICAL_POWER: Spec("kW", (_G.POWER_METER,)),
    _Q.SPEED: Spec("1/min", (_G.SPEED_METER,)),
    _Q.LEVEL_RISE: Spec("m", (_G.LEVEL_GAUGE,), is_difference=True),
    _Q.DURATION: _TIME,
    _Q.REVERSE_SWING: _TIME,
    _Q.CURRENT: Spec("A", (_G.AMMETER,)),
    _Q.VIBRATION: Spec("mm/s", (_G.VIBRATION_METER,)),
    _Q.PULSATION: Spec("bar", (_G.PRESSURE_GAUGE,), is_difference=True),
    _Q.NOISE: Spec("dB(A)", (_G.SOUND_METER,)),
    _Q.JOINTS_TIGHT: _SEEN,
    _Q.CAVITATION_NOISE: _SEEN,
    _Q.RATTLE: _SEEN,
    _Q.SLAM: _SEEN,
    _Q.TURNS_BACKWARDS: _SEEN,
    _Q.BACK_FLOW: _SEEN,
}

GAUGE_UNITS: Mapping[TestQuantity, str] = {_Q.PULSATION: "bar g", _Q.HEADER_DECAY: "bar g"}
"""Unit on the gauge where it is not the quantity's own: a difference read on a gauge."""

RANGES: Mapping[str, tuple[float, float]] = {
    "m³/h": (0.0, 1e5),
    "bar g": (-1.0, 1e3),
    "bar": (0.0, 1e3),
    "°C": (-50.0, 400.0),
    "kW": (0.0, 1e5),
    "1/min": (0.0, 3e4),
    "m": (-50.0, 50.0),
    "s": (0.0, 86_400.0),
    "A": (0.0, 1e4),
    "mm/s": (0.0, 1e3),
    "dB(A)": (0.0, 200.0),
    "": (0.0, 1.0),
}
"""What a typed value can sanely be."""

WATCHED_READ: Mapping[TestQuantity, Watched] = {
    _Q.CURRENT: Watched.CURRENT,
    _Q.VIBRATION: Watched.VIBRATION,
    _Q.PULSATION: Watched.PULSATION,
    _Q.NOISE: Watched.NOISE,
}
"""Quantities held against an abort limit as read; the rise follows from two temperatures."""

_WATCH = (_Q.VIBRATION, _Q.PULSATION, _Q.NOISE, _Q.CURRENT)
_STOP_FLOWS = (_Q.MAIN_FLOW, _Q.BYPASS_FLOW, _Q.PUMP_FLOW)
_BY_METHOD: Mapping[str, tuple[TestQuantity, ...]] = {
    METER: (_Q.BYPASS_FLOW,),
    CLAMP_ON: (_Q.BYPASS_FLOW,),
    LEVEL: (_Q.LEVEL_RISE, _Q.DURATION),
    HEAT: (_Q.ELECTRICAL_POWER,),
}

_STATE = (
    _Q.INLET_TEMPERATURE,
    _Q.OUTLET_TEMPERATURE,
    _Q.RETURN_TEMPERATURE,
    _Q.SUCTION_PRESSURE,
    _Q.DISCHARGE_PRESSURE,
    _Q.BACK_PRESSURE,
    _Q.SPEED,
)


def asked(step: str, method: str) -> tuple[TestQuantity, ...]:
    """The quantities a step asks for, in the order in which they are read.

    >>> [quantity.value for quantity in asked("T7", METER)]
    ['pump turns backwards', 'back-flow through the bypass']
    """
    return {
        "T0": (_Q.JOINTS_TIGHT,),
        "T1": (*_BY_METHOD[method], *_STATE, _Q.CAVITATION_NOISE, *_WATCH),
        "T2": (*_STOP_FLOWS, _Q.BYPASS_SHUTS, *_WATCH),
        "T3": (
            _Q.MAIN_FLOW,
            _Q.SUCTION_PRESSURE,
            _Q.DISCHARGE_PRESSURE,
            _Q.BYPASS_FLOW,
            _Q.RATTLE,
            *_WATCH,
        ),
        "T4": (*_STOP_FLOWS, _Q.BYPASS_OPENS, *_WATCH),
        "T5": (_Q.REVERSE_SWING, _Q.SLAM, _Q.HEADER_DECAY),
        "T6": (_Q.PUMP_FLOW, *_WATCH),
        "T7": (_Q.TURNS_BACKWARDS, _Q.BACK_FLOW),
    }[step]


STEPS_WITH_STOPS = ("T2", "T4")

INSTRUMENTS_OF: Mapping[str, tuple[tuple[GaugeKind, int], ...]] = {
    METER: ((_G.FLOW_METER, 1),),
    CLAMP_ON: ((_G.CLAMP_ON_METER, 1),),
    LEVEL: ((_G.LEVEL_GAUGE, 1), (_G.STOPWATCH, 1)),
    HEAT: ((_G.POWER_METER, 1), (_G.THERMOMETER, 2), (_G.PRESSURE_GAUGE, 2)),
}
"""Kinds and numbers of gauges without which a method cannot be used."""


def gauges_for(step: str, quantity: TestQuantity, method: str) -> tuple[GaugeKind, ...]:
    """The kinds of gauge that may read a quantity in a step of a run by this method.

    The bypass flow of T1 is the proof: only the meters of the run's own method read it.

    >>> [kind.value for kind in gauges_for("T1", TestQuantity.BYPASS_FLOW, CLAMP_ON)]
    ['clamp-on flow meter']
    """
    kinds = SPECS[quantity].gauges
    if (step, quantity) != ("T1", _Q.BYPASS_FLOW):
        return kinds
    own = [kind for kind, _ in INSTRUMENTS_OF[method]]
    return tuple(kind for kind in kinds if kind in own)


def reading_spread(
    quantity: TestQuantity,
    value: float,
    *,
    expanded: float | None,
    expanded_share: float | None,
    step: float,
) -> float | None:
    """Standard uncertainty (k = 1) of a value as recorded, in its unit; None: not known.

    As `gauge_uncertainty`. A difference has that of both readings, the root of 2 times one (JCGM
    100, 5.1.2, uncorrelated; from memory). What a certificate states as a share of the reading
    says nothing of a difference, since the two readings are not recorded.

    >>> spread = reading_spread(
    ...     TestQuantity.LEVEL_RISE, 0.4, expanded=0.004, expanded_share=None, step=0.0
    ... )
    >>> round(spread, 6)
    0.002828
    """
    is_difference = SPECS[quantity].is_difference
    if is_difference and expanded_share is not None:
        return None
    spread = gauge_uncertainty(value, expanded=expanded, expanded_share=expanded_share, step=step)
    return spread * sqrt(2.0) if is_difference and spread is not None else spread
