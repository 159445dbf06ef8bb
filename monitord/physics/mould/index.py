"""VTT mould growth model: an index from 0 (none) to 6 (covered), hour by hour, for many surfaces at once.

Three things in it are our choice and change the answer:

* Kind of wood W is 0 for every class. Sources use 0 or 1 for the classes less sensitive than pine; 0 grows about
  15 % faster, and an early caution is the milder mistake.
* A missing hour is unknown, not dry: the index and the count of dry hours are held, and the hour is counted.
* A surface humidity above 100 % means liquid water on the surface; the model ends at 100 %, so 100 % is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.errors import PhysicsRangeError
from monitord.physics.mould.march import march
from monitord.physics.mould.materials import (
    MEDIUM_RESISTANT,
    RESISTANT,
    SENSITIVE,
    SENSITIVITIES,
    VERY_SENSITIVE,
    VERY_SENSITIVE_SAWN_PINE,
    Materials,
    MouldMaterial,
    Parameters,
    Sensitivity,
)
from monitord.physics.numeric import Array, FloatOrArray, N, in_range

__all__ = [
    "MEDIUM_RESISTANT",
    "RESISTANT",
    "SENSITIVE",
    "SENSITIVITIES",
    "VERY_SENSITIVE",
    "VERY_SENSITIVE_SAWN_PINE",
    "Materials",
    "MouldMaterial",
    "MouldRun",
    "MouldState",
    "Sensitivity",
    "critical_humidity",
    "days_to_index",
    "mould_growth_rate",
    "mould_run",
    "mould_step",
    "weeks_to_first_growth",
]

_COLDEST_C, _HOTTEST_C, _WETTEST_PCT = -100.0, 200.0, 1e6
_HIGHEST_INDEX = 6.0


@dataclass(frozen=True, eq=False)
class MouldState:
    """What the model carries from one hour to the next, for (n,) surfaces."""

    index: Array
    """Mould index M, 0..6. [no unit]"""
    dry_hours: Array
    """Hours without growth since the last hour of growth, unknown ones not counted. [h]"""
    unknown_hours: Array
    """Hours in all for which temperature or humidity were missing. [h]"""

    @staticmethod
    def start(surfaces: int, index: FloatOrArray = 0.0) -> MouldState:
        """State of `surfaces` surfaces at the start. [index 0..6]

        Raises
        ------
        PhysicsRangeError : an index outside its range 0..6.

        Source
        ------
        Hukka and Viitanen 1999: index 0 is a surface without growth.
        """
        first = in_range("index", index, 0.0, _HIGHEST_INDEX, "")
        zeros = np.zeros(surfaces)
        return MouldState(zeros + first, zeros, zeros)


@dataclass(frozen=True, eq=False)
class MouldRun:
    """The index after each hour, in the shape of what was given, and the state at the end."""

    index: Array
    state: MouldState


def _critical(celsius: FloatOrArray, lowest: FloatOrArray) -> Array:
    curve = ((-0.00267 * celsius + 0.160) * celsius - 3.13) * celsius + 100.0
    return np.where(celsius <= 20.0, np.maximum(curve, lowest), lowest)


def critical_humidity(temperature_c: N, lowest_rh_pct: float = 80.0) -> N:
    """Surface humidity from which mould can grow at a temperature.

    Parameters
    ----------
    temperature_c : Surface temperature. [°C] Range -100..200.
    lowest_rh_pct : Lowest critical humidity of the class: 80 or 85. [%] Range 50..100.

    Returns
    -------
    Critical relative humidity. [%] Above 100 below 0 °C, where nothing grows.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Hukka and Viitanen 1999 (doi:10.1007/s002260050131): a cubic to 20 °C, flat above. The sign of the
    3.13 T term is minus (82.0 % at 10 °C). Lowest humidity by class: Ojanen et al. 2010.
    """
    celsius = in_range("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C, "°C")
    value = _critical(celsius, in_range("lowest_rh_pct", lowest_rh_pct, 50.0, 100.0, "%"))
    if not isinstance(celsius, np.ndarray):
        return float(value)
    return np.where(np.isnan(celsius), np.nan, value)


@dataclass(frozen=True)
class _Conditions:
    """What each hour does to each surface, (hours, n), all that does not hang on the index."""

    growing: NDArray[np.bool_]
    dry: NDArray[np.bool_]
    unknown: NDArray[np.bool_]
    rate: Array
    """Growth of pine well below its highest index; 0 where nothing grows. [1/day]"""
    highest: Array
    """Highest index under these conditions; 0 where nothing grows. [no unit]"""


def _weeks(celsius: Array, rh: Array, constant: Array) -> Array:
    """Hukka and Viitanen 1999: time until growth is first seen under the microscope. [weeks]"""
    return np.exp(-0.68 * np.log(celsius) - 13.9 * np.log(rh) + constant)


def weeks_to_first_growth(
    temperature_c: FloatOrArray, surface_rh_pct: FloatOrArray, materials: Materials = VERY_SENSITIVE_SAWN_PINE
) -> Array:
    """Time in which mould on wood first reaches index 1 at constant conditions, before any class slows it.

    Parameters
    ----------
    temperature_c : Surface temperature. [°C] Range 0.1..50.
    surface_rh_pct : Surface humidity. [%] Range 75..100; that growth can start at all is for `critical_humidity`.
    materials : One material, or one for each surface; only kind of wood and surface quality count.

    Returns
    -------
    Time, (n,). [weeks]

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Hukka and Viitanen 1999 (doi:10.1007/s002260050131), response time, from tests on pine and spruce.
    """
    t = np.asarray(in_range("temperature_c", temperature_c, 0.1, 50.0, "°C"))
    rh = np.asarray(in_range("surface_rh_pct", surface_rh_pct, 75.0, 100.0, "%"))
    return _weeks(t, rh, Parameters.of(materials).constant)


def _conditions(temperature_c: FloatOrArray, surface_rh_pct: FloatOrArray, p: Parameters) -> _Conditions:
    t = np.asarray(in_range("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C, "°C"))
    rh = np.minimum(in_range("surface_rh_pct", surface_rh_pct, 0.0, _WETTEST_PCT, "%"), 100.0)
    critical = _critical(t, p.lowest_rh)
    growing = (rh >= critical) & (critical < 100.0) & (t > 0.0) & (t < 50.0)
    unknown = np.isnan(t) | np.isnan(rh)
    warm, humid = np.where(growing, t, 20.0), np.where(growing, rh, 90.0)  # harmless where nothing grows
    limit = np.where(growing, critical, 80.0)
    x = (limit - humid) / (limit - 100.0)
    return _Conditions(
        growing,
        ~growing & ~unknown,
        unknown | np.zeros_like(growing),
        np.where(growing, 1.0 / (7.0 * _weeks(warm, humid, p.constant)), 0.0),
        np.where(growing, p.a + x * (p.b - p.c * x), 0.0),
    )


def _declined(dry_hours: Array) -> Array:
    """Decline of pine from the start of a dry spell: 0.032/day for 6 h, then nothing, from 24 h on 0.016/day."""
    return (0.032 * np.minimum(dry_hours, 6.0) + 0.016 * np.maximum(dry_hours - 24.0, 0.0)) / 24.0


def _dry_hours(conditions: _Conditions, at_start: Array) -> Array:
    """Length of the dry spell at the end of each hour: one more if dry, nought after growth, held if unknown."""
    total = np.cumsum(conditions.dry, axis=0, dtype=np.float64)
    reset = np.maximum.accumulate(np.where(conditions.growing, total, -np.inf), axis=0)
    return total - np.maximum(reset, -at_start)


def mould_growth_rate(
    temperature_c: FloatOrArray, surface_rh_pct: FloatOrArray, index: FloatOrArray, materials: Materials
) -> Array:
    """Growth of the mould index at this moment; 0 where nothing grows (decline is not counted here).

    Parameters
    ----------
    temperature_c : Surface temperature. [°C] Range -100..200.
    surface_rh_pct : Surface humidity. [%] Range 0..1E6; above 100 is taken as 100, a wet surface.
    index : Mould index now. [no unit] Range 0..6.
    materials : One material, or one for each surface.

    Returns
    -------
    Rate, (n,). [1/day] NaN where temperature or humidity are missing.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    Hukka and Viitanen 1999; k1 and highest index by class: Ojanen, Viitanen, Peuhkuri et al. 2010.
    """
    p = Parameters.of(materials)
    now = in_range("index", index, 0.0, _HIGHEST_INDEX, "")
    c = _conditions(temperature_c, surface_rh_pct, p)
    k1 = np.where(np.asarray(now) < 1.0, p.k1_below, p.k1_from_1)
    k2 = np.maximum(1.0 - np.exp(2.3 * (now - c.highest)), 0.0)
    return np.where(c.unknown, np.nan, c.rate * k1 * k2)


def _log_expm1(x: Array) -> Array:
    """ln(e^x - 1) without overflow."""
    return x + np.log(-np.expm1(-x))


def days_to_index(
    target: float,
    temperature_c: FloatOrArray,
    surface_rh_pct: FloatOrArray,
    index: FloatOrArray,
    materials: Materials,
) -> Array:
    """Days until the mould index reaches a value, if temperature and humidity stay as they are.

    Parameters
    ----------
    target : The index to reach. [no unit] Range 0..6.
    temperature_c : Surface temperature. [°C] Range -100..200.
    surface_rh_pct : Surface humidity. [%] Range 0..1E6; above 100 is taken as 100.
    index : Mould index now. [no unit] Range 0..6.
    materials : One material, or one for each surface.

    Returns
    -------
    Days, (n,). [days] 0 where it is reached already, infinite where these conditions never lead there, NaN where
    temperature or humidity are missing.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or a lone NaN.

    Source
    ------
    The growth law of Hukka and Viitanen 1999 integrated exactly at constant conditions, below and above index 1:
    t = [ln(e^{2.3 (Mmax - M)} - 1)] between the ends, over 2.3 times the rate.
    """
    p = Parameters.of(materials)
    goal = float(in_range("target", target, 0.0, _HIGHEST_INDEX, ""))
    c = _conditions(temperature_c, surface_rh_pct, p)
    now, rate, highest = np.broadcast_arrays(in_range("index", index, 0.0, _HIGHEST_INDEX, ""), c.rate, c.highest)
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.zeros(now.shape)
        for low, high, k1 in ((0.0, 1.0, p.k1_below), (1.0, _HIGHEST_INDEX, p.k1_from_1)):
            first, last = np.maximum(now, low), min(goal, high)
            part = _log_expm1(2.3 * (highest - first)) - _log_expm1(2.3 * (highest - last))
            days = days + np.where(first < last, part / (2.3 * rate * k1), 0.0)
    days = np.where((goal >= highest) | (rate == 0.0), np.inf, days)
    return np.where(now >= goal, 0.0, np.where(c.unknown, np.nan, days))


def mould_run(
    temperature_c: Array, surface_rh_pct: Array, materials: Materials, state: MouldState | None = None
) -> MouldRun:
    """Mould index over a run of hours.

    Parameters
    ----------
    temperature_c : Surface temperature in each hour, (hours,) or (hours, n). [°C] Range -100..200; NaN: unknown.
    surface_rh_pct : Surface humidity in each hour, same shape. [%] Range 0..1E6; above 100 is taken as 100, a
        wet surface; NaN: unknown.
    materials : One material, or one for each of the n surfaces.
    state : State at the start, for n surfaces (1 for the shape (hours,)); none: no growth yet.

    Returns
    -------
    Index after each hour in the shape given, and the state at the end, which continues the run. [index, 0..6]
    In an unknown hour the index is held.

    Raises
    ------
    PhysicsRangeError : a value outside its range, or shapes that do not fit.

    Source
    ------
    Hukka and Viitanen 1999 (doi:10.1007/s002260050131), with the classes and the slower decline of
    Ojanen, Viitanen, Peuhkuri et al. 2010 (Thermal Performance of Exterior Envelopes XI). Explicit steps of 1 h.
    At 0 °C or below and at 50 °C or above nothing grows and the index declines, as in dry hours.
    """
    p = Parameters.of(materials)
    given = np.asarray(temperature_c, dtype=np.float64)
    t = given[:, np.newaxis] if given.ndim == 1 else given
    rh = np.asarray(surface_rh_pct, dtype=np.float64).reshape(t.shape)
    before = state if state is not None else MouldState.start(t.shape[1])
    if before.index.shape != (t.shape[1],) or len(p.a) not in (1, t.shape[1]):
        raise PhysicsRangeError(
            f"{t.shape[1]} surfaces, a state for {before.index.shape}, {len(p.a)} materials",
            why="each surface needs its own",
            remedy="Give one material, or one for each surface; and one state for each",
        )
    c = _conditions(t, rh, p)
    dry_hours = _dry_hours(c, before.dry_hours)
    decline = np.where(c.dry, p.decline * (_declined(dry_hours) - _declined(np.maximum(dry_hours - 1.0, 0.0))), 0.0)
    index = march(before.index, c.rate / 24.0, c.highest, decline, p)
    after = MouldState(
        index[-1] if len(index) else before.index,
        dry_hours[-1] if len(index) else before.dry_hours,
        before.unknown_hours + np.sum(c.unknown, axis=0),
    )
    return MouldRun(index.reshape(given.shape), after)


def mould_step(
    state: MouldState, temperature_c: FloatOrArray, surface_rh_pct: FloatOrArray, materials: Materials
) -> MouldState:
    """State one hour later; the same arithmetic as one row of `mould_run`.

    Parameters
    ----------
    state : State of n surfaces at the start of the hour.
    temperature_c : Surface temperature in the hour, one or (n,). [°C] Range -100..200; NaN in an array: unknown.
    surface_rh_pct : Surface humidity in the hour, one or (n,). [%] Range 0..1E6; NaN in an array: unknown.
    materials : One material, or one for each surface.

    Returns
    -------
    State at the end of the hour. [index 0..6, hours]

    Raises
    ------
    PhysicsRangeError : a value outside its range, a lone NaN, or shapes that do not fit.

    Source
    ------
    As `mould_run`: Hukka and Viitanen 1999; Ojanen et al. 2010.
    """
    n = len(state.index)
    t = np.broadcast_to(np.asarray(in_range("temperature_c", temperature_c, _COLDEST_C, _HOTTEST_C, "°C")), (1, n))
    rh = np.broadcast_to(np.asarray(in_range("surface_rh_pct", surface_rh_pct, 0.0, _WETTEST_PCT, "%")), (1, n))
    return mould_run(t, rh, materials, state).state
