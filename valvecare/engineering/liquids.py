"""Liquid properties behind one door: water by IAPWS-IF97, any other liquid from a stated table.

The only module that imports the steam-table package. That package never raises and returns
negative numbers for bad input, and steam where steam is: every call here is guarded so that the
answer is liquid or a refusal.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Protocol

import seuif97

from valvecare.engineering import plausible
from valvecare.engineering.errors import (
    NotEnoughData,
    OutOfRange,
    require_between,
    require_number,
)

CELSIUS_ZERO_K = 273.15
WATER_CRITICAL_PRESSURE_PA_ABS = 22_064_000.0
"""Critical pressure of water, IAPWS R2-83 (from memory)."""
_LOWEST_DEGC, _HIGHEST_DEGC = 0.01, 350.0
_HIGHEST_PA_ABS = 1e8
_V, _H, _S, _CP, _MU, _P, _T = 3, 4, 5, 8, 24, 0, 1
_NOT_LIQUID = "not liquid: pressure below vapour pressure"


class Liquid(Protocol):
    """What the calculations ask of a liquid. Temperatures in degC, pressures in Pa absolute."""

    @property
    def name(self) -> str: ...
    @property
    def source(self) -> str: ...
    @property
    def critical_pressure_pa_abs(self) -> float | None: ...
    def density(self, temperature_degc: float, pressure_pa_abs: float) -> float: ...
    def specific_heat(self, temperature_degc: float, pressure_pa_abs: float) -> float: ...
    def viscosity(self, temperature_degc: float, pressure_pa_abs: float) -> float: ...
    def enthalpy(self, temperature_degc: float, pressure_pa_abs: float) -> float: ...
    def vapour_pressure(self, temperature_degc: float) -> float: ...
    def saturation_temperature(self, pressure_pa_abs: float) -> float: ...
    def temperature_at_enthalpy(
        self, enthalpy_j_per_kg: float, pressure_pa_abs: float
    ) -> float: ...
    def isentropic_temperature(
        self, temperature_degc: float, from_pa_abs: float, to_pa_abs: float
    ) -> float: ...


@dataclass(frozen=True)
class Water:
    """Ordinary water as a liquid, IAPWS-IF97, 0.01 to 350 degC, vapour pressure to 100 MPa.

    Source: IAPWS R7-97(2012) regions 1 and 4, R12-08 for viscosity, by the seuif97 package.
    Every method refuses (`OutOfRange`) a state that is not liquid or outside the range.
    Enthalpy is zero near the triple point; small rises must not be formed from the difference
    of two backward equations (error up to 0.025 K), so the inverses here iterate to 1e-9 K.

    >>> round(WATER.density(26.85, 3e6), 5)  # IF97 table 5: v = 0.00100215168 m3/kg at 300 K
    997.85294
    """

    name: str = "water"
    source: str = "IAPWS R7-97(2012)"

    @property
    def critical_pressure_pa_abs(self) -> float:
        """Critical pressure, Pa absolute."""
        return WATER_CRITICAL_PRESSURE_PA_ABS

    def density(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Density, kg/m3."""
        return 1.0 / self._liquid(temperature_degc, pressure_pa_abs, _V)

    def specific_heat(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Isobaric specific heat, J/(kg K)."""
        return 1000.0 * self._liquid(temperature_degc, pressure_pa_abs, _CP)

    def enthalpy(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Specific enthalpy, J/kg."""
        return 1000.0 * self._liquid(temperature_degc, pressure_pa_abs, _H)

    def viscosity(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Dynamic viscosity, Pa s."""
        return self._liquid(temperature_degc, pressure_pa_abs, _MU)

    def viscosity_at_density(self, temperature_degc: float, density_kg_per_m3: float) -> float:
        """Dynamic viscosity, Pa s, at temperature and density, the variables of R12-08."""
        density = plausible.DENSITY.check("density_kg_per_m3", density_kg_per_m3)
        temperature = _water_temperature(temperature_degc)
        pressure = _sane(seuif97.tv(temperature, 1.0 / density, _P), "density_kg_per_m3", density)
        return self._liquid(temperature, pressure * 1e6, _MU)

    def vapour_pressure(self, temperature_degc: float) -> float:
        """Saturation pressure, Pa absolute."""
        temperature = _water_temperature(temperature_degc)
        return 1e6 * _sane(seuif97.tx(temperature, 0.0, _P), "temperature_degc", temperature)

    def saturation_temperature(self, pressure_pa_abs: float) -> float:
        """Boiling temperature, degC, at a pressure from the triple point to 16.5 MPa."""
        pressure = require_between(
            "pressure_pa_abs",
            pressure_pa_abs,
            at_least=612.0,
            at_most=16.529e6,
            why="the saturation line from 0.01 to 350 degC, in Pa absolute",
        )
        return _sane(seuif97.px(pressure / 1e6, 0.0, _T), "pressure_pa_abs", pressure)

    def heat_of_vaporisation(self, pressure_pa_abs: float) -> float:
        """Enthalpy of boiling, J/kg, at a pressure from the triple point to 16.5 MPa."""
        boiling = self.saturation_temperature(pressure_pa_abs)
        steam, liquid = seuif97.tx(boiling, 1.0, _H), seuif97.tx(boiling, 0.0, _H)
        return 1000.0 * _sane(steam - liquid, "pressure_pa_abs", pressure_pa_abs)

    def temperature_at_enthalpy(self, enthalpy_j_per_kg: float, pressure_pa_abs: float) -> float:
        """Temperature, degC, of liquid with this enthalpy; refused when part of it is steam."""
        enthalpy = require_number("enthalpy_j_per_kg", enthalpy_j_per_kg)
        return self._solve(
            _H, enthalpy / 1000.0, pressure_pa_abs, "enthalpy_j_per_kg", given=enthalpy
        )

    def isentropic_temperature(
        self, temperature_degc: float, from_pa_abs: float, to_pa_abs: float
    ) -> float:
        """Temperature, degC, after a change of pressure at constant entropy."""
        entropy = self._liquid(temperature_degc, from_pa_abs, _S)
        return self._solve(_S, entropy, to_pa_abs, "to_pa_abs", given=to_pa_abs)

    def _solve(
        self, which: int, wanted: float, pressure_pa_abs: float, name: str, *, given: float
    ) -> float:
        """Newton on h(T) or s(T) at constant pressure: dh = cp dT, ds = cp dT / T."""
        pressure = _water_pressure(pressure_pa_abs)
        highest = _HIGHEST_DEGC
        if pressure < 16.529e6:
            highest = self.saturation_temperature(pressure)
        top = _sane(_state(pressure, highest, which), "pressure_pa_abs", pressure)
        bottom = _sane(
            _state(pressure, _LOWEST_DEGC, which), "pressure_pa_abs", pressure, least=-10.0
        )
        if not isfinite(wanted) or wanted > top + 1e-9 * abs(top):
            raise OutOfRange(
                name,
                given,
                f"such that the water stays liquid, at most {highest:.4g} degC at {pressure:g} Pa",
                "it would flash" if highest < _HIGHEST_DEGC else "the end of the formulation",
            )
        if wanted < bottom:
            raise OutOfRange(name, given, "such that the water stays above 0.01 degC", "ice")
        temperature = _LOWEST_DEGC + (highest - _LOWEST_DEGC) * (wanted - bottom) / (top - bottom)
        for _ in range(30):
            heat = _state(pressure, temperature, _CP)
            if which == _S:
                heat /= temperature + CELSIUS_ZERO_K
            step = (wanted - _state(pressure, temperature, which)) / heat
            temperature = min(max(temperature + step, _LOWEST_DEGC), highest)
            if abs(step) < 1e-9:
                break
        return temperature

    def _liquid(self, temperature_degc: float, pressure_pa_abs: float, which: int) -> float:
        temperature = _water_temperature(temperature_degc)
        pressure = _water_pressure(pressure_pa_abs)
        boiling = 1e6 * seuif97.tx(temperature, 0.0, _P)
        if pressure < boiling * (1.0 - 1e-12):
            raise OutOfRange(
                "pressure_pa_abs",
                pressure,
                f"at least the vapour pressure {boiling:.0f} Pa at {temperature:g} degC",
                _NOT_LIQUID,
            )
        if pressure < boiling * (1.0 + 1e-9):
            value: float = seuif97.tx(temperature, 0.0, which)
        else:
            value = _state(pressure, temperature, which)
        return _sane(
            value, "pressure_pa_abs", pressure, least=-10.0 if which in (_H, _S) else 1e-12
        )


WATER = Water()


@dataclass(frozen=True)
class TableLiquid:
    """A liquid from a stated property table: linear between the points, refused outside them.

    Parameters
    ----------
    name, source : what it is and where the numbers come from; both required
    temperatures_degc : n points, ascending, n >= 2
    densities_kg_per_m3, specific_heats_j_per_kg_k, vapour_pressures_pa_abs : n values each
    viscosities_pa_s : n values, or None: whatever needs viscosity is then refused
    critical_pressure_pa_abs : for choking, or None: a choking check is then refused

    Assumptions: density and specific heat do not depend on pressure; thermal expansion is the
    slope of the density column; between points the vapour pressure lies on the chord, which is
    above the true curve, so a computed margin to boiling is on the safe side.
    """

    name: str
    source: str
    temperatures_degc: tuple[float, ...]
    densities_kg_per_m3: tuple[float, ...]
    specific_heats_j_per_kg_k: tuple[float, ...]
    vapour_pressures_pa_abs: tuple[float, ...]
    viscosities_pa_s: tuple[float, ...] | None
    critical_pressure_pa_abs: float | None
    _expansions: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _heats: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for label, text in (("name", self.name), ("source", self.source)):
            if not isinstance(text, str) or not text.strip():
                raise OutOfRange(label, text, "given", "a table without a source is not used")
        points = [
            plausible.TEMPERATURE.check("temperatures_degc", t)
            for t in _column("temperatures_degc", self.temperatures_degc)
        ]
        if len(points) < 2:
            raise NotEnoughData(f"{len(points)} temperatures", "2 or more")
        if any(b <= a for a, b in zip(points, points[1:], strict=False)):
            raise OutOfRange("temperatures_degc", str(self.temperatures_degc), "ascending")
        columns = (
            ("densities_kg_per_m3", self.densities_kg_per_m3, plausible.DENSITY),
            ("specific_heats_j_per_kg_k", self.specific_heats_j_per_kg_k, plausible.SPECIFIC_HEAT),
            ("vapour_pressures_pa_abs", self.vapour_pressures_pa_abs, plausible.VAPOUR_PRESSURE),
            ("viscosities_pa_s", self.viscosities_pa_s, plausible.VISCOSITY),
        )
        for label, column, window in columns:
            if column is None and label == "viscosities_pa_s":
                continue
            values = [window.check(label, value) for value in _column(label, column)]
            if len(values) != len(points):
                raise NotEnoughData(f"{len(values)} {label}", f"{len(points)}, one a temperature")
        pv = self.vapour_pressures_pa_abs
        if any(b < a for a, b in zip(pv, pv[1:], strict=False)):
            raise OutOfRange("vapour_pressures_pa_abs", str(pv), "ascending with temperature")
        if self.critical_pressure_pa_abs is not None:
            plausible.CRITICAL_PRESSURE.check(
                "critical_pressure_pa_abs", self.critical_pressure_pa_abs
            )
        object.__setattr__(self, "_expansions", _node_expansions(points, self.densities_kg_per_m3))
        object.__setattr__(
            self, "_heats", _running_integral(points, self.specific_heats_j_per_kg_k)
        )

    def density(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Density, kg/m3."""
        temperature = self._liquid(temperature_degc, pressure_pa_abs)
        return self._at(temperature, self.densities_kg_per_m3)

    def specific_heat(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Isobaric specific heat, J/(kg K)."""
        temperature = self._liquid(temperature_degc, pressure_pa_abs)
        return self._at(temperature, self.specific_heats_j_per_kg_k)

    def viscosity(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Dynamic viscosity, Pa s; refused when the table has none."""
        if self.viscosities_pa_s is None:
            raise OutOfRange("viscosities_pa_s", None, "given", f"the table of {self.name}")
        temperature = self._liquid(temperature_degc, pressure_pa_abs)
        return self._at(temperature, self.viscosities_pa_s)

    def vapour_pressure(self, temperature_degc: float) -> float:
        """Vapour pressure, Pa absolute."""
        return self._at(self._inside(temperature_degc), self.vapour_pressures_pa_abs)

    def saturation_temperature(self, pressure_pa_abs: float) -> float:
        """Boiling temperature, degC; refused when the table does not reach it."""
        pressure = plausible.PRESSURE_ABS.check("pressure_pa_abs", pressure_pa_abs)
        values, points = self.vapour_pressures_pa_abs, self.temperatures_degc
        if not values[0] <= pressure <= values[-1]:
            raise OutOfRange(
                "pressure_pa_abs",
                pressure,
                f"from {values[0]:g} to {values[-1]:g}",
                f"the vapour pressures in the table of {self.name}; extend the table",
            )
        i = min(max(bisect_right(values, pressure) - 1, 0), len(values) - 2)
        if values[i + 1] == values[i]:
            return points[i]
        share = (pressure - values[i]) / (values[i + 1] - values[i])
        return points[i] + share * (points[i + 1] - points[i])

    def enthalpy(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        """Specific enthalpy, J/kg, zero at the first table temperature and zero pressure."""
        return self._enthalpy(self._liquid(temperature_degc, pressure_pa_abs), pressure_pa_abs)

    def temperature_at_enthalpy(self, enthalpy_j_per_kg: float, pressure_pa_abs: float) -> float:
        """Temperature, degC, of liquid with this enthalpy at this pressure."""
        pressure = plausible.PRESSURE_ABS.check("pressure_pa_abs", pressure_pa_abs)
        low, high = self.temperatures_degc[0], self.temperatures_degc[-1]
        bottom, top = self._enthalpy(low, pressure), self._enthalpy(high, pressure)
        if not bottom <= enthalpy_j_per_kg <= top:
            raise OutOfRange(
                "enthalpy_j_per_kg",
                enthalpy_j_per_kg,
                f"from {bottom:.6g} to {top:.6g}",
                f"the table of {self.name} ends at {low:g} and {high:g} degC",
            )
        while high - low > 1e-9:
            middle = 0.5 * (low + high)
            if self._enthalpy(middle, pressure) < enthalpy_j_per_kg:
                low = middle
            else:
                high = middle
        return self._liquid(0.5 * (low + high), pressure)

    def isentropic_temperature(
        self, temperature_degc: float, from_pa_abs: float, to_pa_abs: float
    ) -> float:
        """Temperature, degC, at constant entropy after a change of pressure, beta T v dp/cp."""
        temperature = self._liquid(temperature_degc, from_pa_abs)
        to_pressure = plausible.PRESSURE_ABS.check("to_pa_abs", to_pa_abs)
        kelvin = temperature + CELSIUS_ZERO_K
        volume = 1.0 / self._at(temperature, self.densities_kg_per_m3)
        heat = self._at(temperature, self.specific_heats_j_per_kg_k)
        slope = self._at(temperature, self._expansions) * kelvin * volume / heat
        return self._liquid(temperature + slope * (to_pressure - from_pa_abs), to_pressure)

    def _enthalpy(self, temperature: float, pressure: float) -> float:
        points, heats = self.temperatures_degc, self.specific_heats_j_per_kg_k
        i = min(max(bisect_right(points, temperature) - 1, 0), len(points) - 2)
        step = temperature - points[i]
        slope = (heats[i + 1] - heats[i]) / (points[i + 1] - points[i])
        thermal = self._heats[i] + step * (heats[i] + 0.5 * slope * step)
        kelvin = temperature + CELSIUS_ZERO_K
        expansion = self._at(temperature, self._expansions)
        volume = 1.0 / self._at(temperature, self.densities_kg_per_m3)
        return thermal + volume * (1.0 - expansion * kelvin) * pressure

    def _liquid(self, temperature_degc: float, pressure_pa_abs: float) -> float:
        temperature = self._inside(temperature_degc)
        pressure = plausible.PRESSURE_ABS.check("pressure_pa_abs", pressure_pa_abs)
        boiling = self._at(temperature, self.vapour_pressures_pa_abs)
        if pressure < boiling * (1.0 - 1e-12):
            raise OutOfRange(
                "pressure_pa_abs",
                pressure,
                f"at least the vapour pressure {boiling:.0f} Pa at {temperature:g} degC",
                _NOT_LIQUID,
            )
        return temperature

    def _inside(self, temperature_degc: float) -> float:
        return require_between(
            "temperature_degc",
            temperature_degc,
            at_least=self.temperatures_degc[0],
            at_most=self.temperatures_degc[-1],
            why=f"the table of {self.name}; extend the table to go further",
        )

    def _at(self, temperature: float, values: Sequence[float]) -> float:
        points = self.temperatures_degc
        i = min(max(bisect_right(points, temperature) - 1, 0), len(points) - 2)
        share = (temperature - points[i]) / (points[i + 1] - points[i])
        return values[i] + share * (values[i + 1] - values[i])


def _state(pressure_pa: float, temperature_degc: float, which: int) -> float:
    value: float = seuif97.pt(pressure_pa / 1e6, temperature_degc, which)
    return value


def _sane(value: float, name: str, given: float, *, least: float = 0.0) -> float:
    """The package reports trouble as a large negative number; steer that into a refusal.

    Enthalpy and entropy lie a little below zero next to the triple point, nothing else does.
    """
    if not isfinite(value) or value < least:
        raise OutOfRange(name, given, "inside IAPWS-IF97 for liquid water", f"answer {value:g}")
    return value


def _water_temperature(temperature_degc: float) -> float:
    return require_between(
        "temperature_degc",
        temperature_degc,
        at_least=_LOWEST_DEGC,
        at_most=_HIGHEST_DEGC,
        why="liquid water by IAPWS-IF97 region 1, in degC",
    )


def _water_pressure(pressure_pa_abs: float) -> float:
    return require_between(
        "pressure_pa_abs",
        pressure_pa_abs,
        at_least=500.0,
        at_most=_HIGHEST_PA_ABS,
        why="IAPWS-IF97, in Pa absolute",
    )


def _column(name: str, values: Sequence[float] | None) -> Sequence[float]:
    if values is None or isinstance(values, (str, float, int)):
        raise OutOfRange(name, values, "a list of numbers")
    return values


def _node_expansions(points: Sequence[float], densities: Sequence[float]) -> tuple[float, ...]:
    """Thermal expansion -(1/rho) d rho/dT at each point, mean of the slopes on its two sides."""
    slopes = [
        (densities[i + 1] - densities[i]) / (points[i + 1] - points[i])
        for i in range(len(points) - 1)
    ]
    sides = [slopes[0], *slopes, slopes[-1]]
    return tuple(-0.5 * (sides[i] + sides[i + 1]) / density for i, density in enumerate(densities))


def _running_integral(points: Sequence[float], values: Sequence[float]) -> tuple[float, ...]:
    total = [0.0]
    for i in range(len(points) - 1):
        total.append(total[-1] + 0.5 * (values[i] + values[i + 1]) * (points[i + 1] - points[i]))
    return tuple(total)
