"""Timber beside the air of a cavity or void: what it would hold, and for how long it has been wet enough to decay.

The air's equilibrium moisture content is lagged as a joist lags it. The estimate starts in equilibrium with the air
of the first day, which is the least that can be said; what it would be had the timber been soaked at the start is
given beside it. From the first spot reading on it is the mean of the members as all readings weigh them, those on which
a goal about it rests (`members.py`). While nothing is measured the air is taken as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries, TimberSpot
from monitord.analysis.series.times import WEEK_H, utc
from monitord.analysis.wood.members import timber_members
from monitord.analysis.wood.parameters import WOOD
from monitord.analysis.wood.timber import held_over, lagged_between
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import Warmth, WoodMoisture
from monitord.model.facts import FindingKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.wood import (
    DECAY_SLOW_ABOVE_C,
    DECAY_SLOW_BELOW_C,
    DECAY_STOPS_ABOVE_C,
    DECAY_STOPS_BELOW_C,
    equilibrium_moisture_content,
)

_SQRT_3 = float(np.sqrt(3.0))
"""Half width of a rectangular distribution over its standard deviation (JCGM 100:2008, 4.3.7). [-]"""


@dataclass(frozen=True)
class WoodMoistureSeries:
    """Moisture content of timber after each hour, each (n,). [% of dry mass]"""

    value: Array
    """The least that can be said of it; from the first spot reading on the most likely."""
    high: Array
    """Had it been at fibre saturation at the start; from the first spot reading on the upper end of what that left."""
    equilibrium: Array
    """In equilibrium with the air of the hour; NaN where unknown."""
    u: Array
    """Standard uncertainty of the value; before the first spot reading the unknown start is not in it: see `high`."""
    spots: tuple[TimberSpot, ...]
    """The spot readings that were used, in order of time."""


def wood_moisture_series(series: HourlySeries, options: AnalysisOptions) -> WoodMoistureSeries | None:
    """Estimate the moisture content of timber in the air of a track; None while less than a day is known.

    Source
    ------
    Equilibrium: Wood Handbook (FPL-GTR-282) ch. 4 eq. 4-5, of which one species scatters 1 to 2 %. Lag: common
    practice, `timber_lag_days`. Spot readings: as in `members`.
    """
    known = np.isfinite(series.temperature_c) & np.isfinite(series.relative_humidity_pct)
    if known.sum() < WOOD.min_hours:
        return None
    emc = np.full(len(series), np.nan)
    t = np.clip(series.temperature_c[known], WOOD.min_emc_c, WOOD.max_emc_c)
    emc[known] = equilibrium_moisture_content(t, np.clip(series.relative_humidity_pct[known], 0.0, WOOD.max_emc_rh_pct))
    start = float(emc[known][:24].mean())
    found = lagged_between(
        emc, series.hour_s, options.timber_lag_days, start, series.spots, options.timber_species_u_pct
    )
    value, u, high = found.low, np.full(len(series), options.timber_species_u_pct), found.high
    members = timber_members(held_over(emc), options.timber_lag_days, found.spots, series.end_s, WOOD.min_hours)
    if members is not None:
        since = np.arange(len(series)) >= found.spots[0][0]
        measured = since & np.isfinite(members.middle)
        value = np.where(measured, members.middle, np.where(since, 0.5 * (found.low + found.high), value))
        u = np.where(measured, members.u, u)
        high = np.where(measured, members.middle + _SQRT_3 * members.u, high)
    return WoodMoistureSeries(
        value=value,
        high=high,
        equilibrium=emc,
        u=np.hypot(u, _by_probe(series, emc)),
        spots=tuple(spot for _, spot in found.spots),
    )


def wood_moisture(series: HourlySeries, hour_s: float, options: AnalysisOptions) -> WoodMoisture | None:
    """Timber at a location as of a full hour; None while too little is known."""
    estimated = wood_moisture_series(series, options)
    if estimated is None:
        return None
    last_day = estimated.equilibrium[-24:]
    equilibrium = float(np.nanmean(last_day)) if np.isfinite(last_day).any() else None
    above = estimated.value >= options.wood_decay_pct
    first = int(np.flatnonzero(np.isfinite(estimated.equilibrium))[0])  # before the first reading nothing is known
    run = max(int(np.flatnonzero(~above)[-1]) + 1 if (~above).any() else 0, first)
    spot = estimated.spots[-1] if estimated.spots else None
    return WoodMoisture(
        at=utc(hour_s),
        value=Quantity(value=float(estimated.value[-1]), u=float(estimated.u[-1]), unit="% MC"),
        high=float(estimated.high[-1]),
        equilibrium=equilibrium,
        above_since=utc(float(series.hour_s[run])) if above[-1] else None,
        above=Quantity(value=options.wood_decay_pct, unit="% MC"),
        warmth=_warmth(series.temperature_c[-WEEK_H:]),
        spot_at=utc(spot.time_s) if spot is not None else None,
        spot=Quantity(value=spot.moisture_content_pct, u=spot.u_pct, unit="% MC") if spot is not None else None,
    )


def _by_probe(series: HourlySeries, equilibrium: Array) -> Array:
    """What the probe's humidity error does to the equilibrium of each hour, held where that is unknown, (n,)."""
    known = np.flatnonzero(np.isfinite(equilibrium))
    t = np.clip(series.temperature_c[known], WOOD.min_emc_c, WOOD.max_emc_c)
    step = WOOD.emc_slope_pct
    rh = np.clip(series.relative_humidity_pct[known], 0.0, WOOD.max_emc_rh_pct - step)
    up, down = equilibrium_moisture_content(t, rh + step), equilibrium_moisture_content(t, np.maximum(rh - step, 0.0))
    each = np.abs(up - down) / (step + np.minimum(rh, step)) * series.uncertainty.relative_humidity_pct
    newest = np.searchsorted(known, np.arange(len(equilibrium)), side="right") - 1
    return np.asarray(each[np.maximum(newest, 0)])


def _warmth(temperature_c: Array) -> Warmth:
    """Whether decay could run at the mean temperature of these hours (Wood Handbook ch. 14)."""
    known = temperature_c[np.isfinite(temperature_c)]
    mean = float(known.mean()) if len(known) else WOOD.unknown_warmth_c
    if mean < DECAY_STOPS_BELOW_C or mean > DECAY_STOPS_ABOVE_C:
        return Warmth.STOPPED
    return Warmth.SLOW if mean < DECAY_SLOW_BELOW_C or mean > DECAY_SLOW_ABOVE_C else Warmth.RUNS


def wood_finding(series: HourlySeries, found: WoodMoisture, options: AnalysisOptions, every_s: float) -> Finding | None:
    """The finding about decay; none while the timber is wet but the location too cold or too hot for decay.

    An alert that is open stays as it is then: the wood is still wet when the warmth comes back.
    """
    wet = found.value.value >= options.wood_decay_pct
    if wet and found.warmth is Warmth.STOPPED:
        return None
    known = np.isfinite(series.vapour_pressure_pa[-24:])
    hours = (found.at - found.above_since).total_seconds() / HOUR_S if found.above_since is not None else 0.0
    return Finding(
        kind=FindingKind.WOOD_DECAY,
        location=series.location.id,
        measured_at=found.at,
        value=found.value.value if known.sum() >= WOOD.min_day_known_h else None,
        unit="% MC",
        u=found.value.u,
        readings=int(hours) if wet else int(known.sum()),
        since=found.above_since,
        interval_s=every_s,
        facts=Facts(value=found.value, since=found.above_since, measured_at=found.spot_at),
    )
