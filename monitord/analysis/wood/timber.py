"""Moisture content of timber from the air beside it: the air's equilibrium value, lagged as a joist lags it.

A goal about timber is about the timber, not about the air: the air's equilibrium value runs about two weeks ahead of
a joist (common practice). First-order uptake is assumed, dM/dt = (EMC(t) − M)/τ. Nobody measured the timber at the
start, so the start is a range: from the first day's equilibrium value to fibre saturation (about 30 %, Wood Handbook
ch. 4, or the first value if higher); what is left of that range is carried as uncertainty, beside the 1 to 2 %MC of
species and hysteresis (Wood Handbook ch. 4) of which `u_species` is a standard uncertainty.

A spot reading by hand moves the estimate and narrows its range: the new value is the mean of the estimate and the
reading, each weighed by its own variance (JCGM 100:2008). From there the timber follows its air again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np

from monitord.analysis.series.hourly_series import TimberSpot
from monitord.analysis.series.times import DAY_S
from monitord.analysis.wood.parameters import WOOD
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.series import HOUR_S, Array
from monitord.model.site.spots import SpotKind
from monitord.physics.wood import FIBRE_SATURATION_PCT as FIBRE_SATURATION_PCT  # noqa: PLC0414  kept importable from here
from monitord.physics.wood import equilibrium_moisture_content

_SQRT_3 = float(np.sqrt(3.0))


def timber_spots(job: JobFile, location_id: str, options: AnalysisOptions) -> tuple[TimberSpot, ...]:
    """The spot readings of timber at a location, in order of time, each with its uncertainty."""
    return tuple(
        TimberSpot(
            spot.at.timestamp(),
            spot.corrected,
            _uncertainty(spot.u, spot.corrected, spot.corrected_for, options),
            spot.instrument,
        )
        for spot in job.spots_at(location_id)
        if spot.kind is SpotKind.WOOD_MOISTURE
    )


def _uncertainty(stated: float | None, value: float, corrected_for: str, options: AnalysisOptions) -> float:
    if stated is not None:
        return stated
    usual = options.timber_spot_u_pct if corrected_for else options.timber_spot_uncorrected_u_pct
    return max(usual, WOOD.saturated_spot_u_pct) if value > FIBRE_SATURATION_PCT else usual


@dataclass(frozen=True)
class TimberEstimate:
    """Estimated moisture content by hour, each (n,). [% of dry mass]"""

    low: Array
    middle: Array
    high: Array
    equilibrium: Array
    """In equilibrium with the air of the hour."""
    spots: tuple[tuple[int, TimberSpot], ...] = ()
    """The spot readings in it, each with the first hour that knows of it."""
    u_species: float = 0.0
    """Standard uncertainty of the estimate beside that of its start. [% of dry mass]"""
    held: Array = field(default_factory=lambda: np.empty(0))
    """The equilibrium value without gaps: where unknown the air is taken as unchanged."""


def lagged_known(values: Array, share: float, start: float) -> Array:
    """First-order lag over hourly values, held where they are NaN: M += share (value - M) in each known hour."""
    known, keep, level = np.isfinite(values), 1.0 - share, start
    course = [start]
    for value in values[known].tolist():  # in plain floats: scipy's lfilter costs more to call, and to import
        level = keep * level + share * value
        course.append(level)
    return np.asarray(np.array(course)[np.cumsum(known)], dtype=np.float64)


@dataclass(frozen=True)
class Lagged:
    """The range in which lagged timber lies after each hour, each (n,). [% of dry mass]"""

    low: Array
    high: Array
    spots: tuple[tuple[int, TimberSpot], ...]
    """The spot readings that were used, each with the first hour that knows of it."""


def lagged_between(
    equilibrium: Array,
    hour_s: Array,
    lag_days: float,
    start: float,
    spots: Sequence[TimberSpot] = (),
    u_species: float = 0.0,
) -> Lagged:
    """Lag an hourly equilibrium value from the range of the start on, with spot readings weighed in.

    Parameters
    ----------
    equilibrium : [% of dry mass], (n,); where NaN the timber is held as it was.
    start : equilibrium of the first day, the low end of the range at the start. [% of dry mass]
    spots : those of within one hour count as one, with the smallest uncertainty: they share the meter's error.
    u_species : standard uncertainty of the estimate beside that of its start. [% of dry mass]
    """
    share = float(-np.expm1(-HOUR_S / (lag_days * DAY_S)))
    low = lagged_known(equilibrium, share, start)
    high = lagged_known(equilibrium, share, max(FIBRE_SATURATION_PCT, start))
    known = np.flatnonzero(np.isfinite(equilibrium))
    first = int(known[0]) if len(known) else 0
    used = []
    for spot in _hourly(spots):
        if not len(hour_s) or spot.time_s < hour_s[first] - WOOD.spot_before_days * DAY_S or spot.time_s > hour_s[-1]:
            continue
        at = max(int(np.searchsorted(hour_s, spot.time_s)), first)
        below, above = (float(end[at - 1]) if at > first else None for end in (low, high))
        below, above = (start, max(FIBRE_SATURATION_PCT, start)) if below is None or above is None else (below, above)
        u_now = float(np.hypot((above - below) / np.sqrt(12.0), u_species))
        weight = u_now**2 / (u_now**2 + spot.u_pct**2) if u_now > 0.0 else 0.0
        middle = 0.5 * (below + above)
        level, half = middle + weight * (spot.moisture_content_pct - middle), _SQRT_3 * np.sqrt(weight) * spot.u_pct
        low[at:] = lagged_known(equilibrium[at:], share, level - half)
        high[at:] = lagged_known(equilibrium[at:], share, level + half)
        used.append((at, spot))
    return Lagged(low, high, tuple(used))


def _hourly(spots: Sequence[TimberSpot]) -> list[TimberSpot]:
    """Spot readings in order of time, those of one clock hour as one: their mean, as sure as the surest."""
    ordered = sorted(spots, key=lambda s: s.time_s)
    found = []
    for _, group in groupby(ordered, key=lambda s: s.time_s // HOUR_S):
        those = list(group)
        mean = float(np.mean([s.moisture_content_pct for s in those]))
        found.append(TimberSpot(those[-1].time_s, mean, min(s.u_pct for s in those), those[-1].meter))
    return found


def slow_lag_share() -> float:
    """How many times the usual lag slow timber has: its goal must be met as well before the location is at it. [-]"""
    return WOOD.lag_share * float(np.exp(WOOD.lag_high * WOOD.lag_log_sd))


def held_over(values: Array) -> Array:
    """Hourly values with each gap filled by what came before it, or by the first that is known, (n,)."""
    known = np.isfinite(values)
    at = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    return np.asarray(values[np.where(at < 0, int(np.argmax(known)), at)])


def estimate_timber(
    temperature_c: Array,
    relative_humidity_pct: Array,
    lag_days: float,
    hour_s: Array | None = None,
    spots: Sequence[TimberSpot] = (),
    u_species: float = 0.0,
) -> TimberEstimate | None:
    """Lag the air's equilibrium value; arrays (n,) by hour, NaN where unknown (there the air is taken as unchanged).

    None where nothing is known yet.

    Parameters
    ----------
    hour_s : starts of the hours, needed with spot readings only. [s]
    spots, u_species : as in `lagged_between`.
    """
    known = np.isfinite(temperature_c) & np.isfinite(relative_humidity_pct)
    if known.sum() < WOOD.estimate_min_h:
        return None
    emc = np.full(len(temperature_c), np.nan)
    t = np.clip(temperature_c[known], 0.0, WOOD.max_timber_c)
    emc[known] = equilibrium_moisture_content(
        t, np.clip(relative_humidity_pct[known], WOOD.min_air_rh_pct, WOOD.max_emc_rh_pct)
    )
    held = held_over(emc)
    begin = float(np.mean(emc[known][:24]))
    hours: Array = np.arange(len(emc), dtype=np.float64) * HOUR_S if hour_s is None else hour_s
    found = lagged_between(held, hours, lag_days, begin, spots, u_species)
    return TimberEstimate(found.low, 0.5 * (found.low + found.high), found.high, emc, found.spots, u_species, held)
