"""Has a sealed sleeve come to equilibrium with its concrete? Its clock, its drift, and where it is heading.

No verdict early: until the criteria's clock has run and the approach has died away with confidence, a sleeve has a
prediction and nothing more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.equilibrium_fit import fit_equilibrium
from monitord.analysis.slabs.parameters import SLABS
from monitord.model.assessments import Equilibrium, Facts, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import HOUR_S, Array


@dataclass(frozen=True)
class Settled:
    """What is held of a sleeve as of the last complete hour."""

    view: Equilibrium
    equilibrated: bool
    clock_s: float
    """When its clock started. [s]"""
    equilibrated_s: float | None
    """Since when it counts as equilibrated."""


def reopenings(series: HourlySeries, start_s: float, room: HourlySeries | None) -> list[float]:
    """Ends of the hours during which a sleeve was open to the room after `start_s`, by its readings.

    A sealed sleeve's humidity never moves by several percent within two hours; one that is opened moves towards the
    room's air at once. The clock starts again at the last hour of that move. [s]
    """
    rh = series.relative_humidity_pct
    first = max(int(np.searchsorted(series.hour_s, start_s)) + SLABS.opened_after_h, 2)
    known = np.flatnonzero(np.isfinite(rh[first - 1 :])) + first - 1
    if len(known) < 2:
        return []
    before, at = known[:-1], known[1:]
    move = rh[at] - rh[before]
    jumped = (np.abs(move) >= SLABS.opened_pct) & (at - before <= SLABS.opened_gap_h)
    if room is not None:
        gap = room.relative_humidity_pct[at] - rh[before]
        towards = (np.sign(gap) == np.sign(move)) & (np.abs(gap) > SLABS.opened_room_pct)
        jumped &= np.where(np.isfinite(gap), towards, move < 0)
    return [float(time) for time in series.hour_s[at[jumped]] + HOUR_S]


def clock_start(series: HourlySeries, sealed_s: float, room: HourlySeries | None) -> float:
    """When the sleeve's clock started: at sealing, or at the end of the last re-opening. [s]"""
    again = reopenings(series, sealed_s, room)
    return max([sealed_s, *again])


def _inputs(series: HourlySeries, clock_s: float) -> tuple[Array, Array, Array] | None:
    from_hour = int(np.searchsorted(series.hour_s, clock_s))
    part = slice(from_hour, from_hour + SLABS.approach_h)
    hours = (series.hour_s[part] + 0.5 * HOUR_S - clock_s) / HOUR_S
    rh, t = series.relative_humidity_pct[part], series.temperature_c[part]
    known = np.isfinite(rh) & np.isfinite(t)
    if known.sum() < SLABS.fit_min_h:
        return None
    return hours[known], rh[known], t[known]


def _late_part(hours: Array, humidity: Array, temperature_c: Array, age_h: float) -> tuple[Array, Array, Array]:
    """What the fit may look at: from `fast_filling_h` on the fast filling at first no longer counts.

    Concrete fills a sleeve at first fast, from its rim, and then slowly, from its depth; one exponential through both
    takes the slow part for the end.
    """
    if age_h < SLABS.fast_filling_h:
        return hours, humidity, temperature_c
    late = hours >= SLABS.fast_filling_share * age_h
    if late.sum() < SLABS.fit_min_h:
        return hours, humidity, temperature_c
    return hours[late], humidity[late], temperature_c[late]


def _risen(hours: Array, humidity: Array, temperature_c: Array) -> float:
    """Rise of the humidity in a day, cleaned of temperature; 0 where too few hours tell. [% RH]"""
    end, half = hours[-1] + 1.0, SLABS.half_day_h
    now, before = hours >= end - half, (hours >= max(end - 24.0 - half, half)) & (hours < end - 24.0)
    if min(now.sum(), before.sum()) < SLABS.rise_min_h:
        return 0.0
    level = humidity - SLABS.slope_prior_pct_k[0] * temperature_c
    return float(level[now].mean() - level[before].mean())


def settle(series: HourlySeries, clock_s: float, options: AnalysisOptions) -> Settled:
    """Judge a sleeve as of its last complete hour; `clock_s` is when its clock started (`clock_start`).

    Equilibrated means: the clock (`options.sleeve_clock_h`, by the standard chosen) has run since sealing or the last
    re-opening, the fitted approach still to come is under `options.sleeve_gap_pct` with confidence, and the last day
    shows no more of a rise than `calm_pct`. The prediction's interval is the central 80 %, of the posterior and the
    probe's own accuracy together.
    """
    clock = clock_s
    age_h = max(0.0, (series.end_s - clock) / HOUR_S)
    if age_h > SLABS.approach_h:
        return _long_settled(series, clock, age_h, options)
    data = _inputs(series, clock)
    if data is None:
        view = Equilibrium(
            state="settling",
            predicted_rh=None,
            low=None,
            high=None,
            clock_started=utc(clock),
        )
        return Settled(view, False, clock, None)
    fit = fit_equilibrium(*_late_part(*data, age_h), options.sleeve_tau_h)
    calm = abs(fit.gap) + SLABS.gap_coverage * fit.gap_sd < options.sleeve_gap_pct
    ready = age_h >= options.sleeve_clock_h and calm and _risen(*data) < SLABS.calm_pct
    half = SLABS.central_80_sd * float(np.hypot(fit.level_sd, series.uncertainty.relative_humidity_pct))
    level = min(max(fit.level, 0.0), 100.0)
    view = Equilibrium(
        state="equilibrated" if ready else ("settling" if age_h < ASSESSMENT.settling_h else "equilibrating"),
        predicted_rh=level,
        low=max(level - half, 0.0),
        high=min(level + half, 100.0),
        clock_started=utc(clock),
    )
    return Settled(view, ready, clock, series.end_s if ready else None)


def _long_settled(series: HourlySeries, clock: float, age_h: float, options: AnalysisOptions) -> Settled:
    """A week after sealing the approach is over; what moves now is the concrete."""
    lately = series.relative_humidity_pct[-24:]
    lately = lately[np.isfinite(lately)]
    level = float(lately.mean()) if len(lately) else None
    half = SLABS.central_80_sd * series.uncertainty.relative_humidity_pct
    view = Equilibrium(
        state="equilibrated",
        predicted_rh=level,
        low=None if level is None else level - half,
        high=None if level is None else min(level + half, 100.0),
        clock_started=utc(clock),
    )
    return Settled(view, True, clock, clock + SLABS.approach_h * HOUR_S)


def settling_facts(series: HourlySeries, settled: Settled, options: AnalysisOptions) -> Facts:
    """Hours sealed, hours that the clock asks for, and where the sleeve is heading."""
    view = settled.view
    value = None
    if view.predicted_rh is not None and view.low is not None and view.high is not None:
        u = max(view.high - view.predicted_rh, view.predicted_rh - view.low) / SLABS.central_80_sd
        value = Quantity(value=view.predicted_rh, u=u, unit="% RH")
    sealed_h = max(0.0, (series.end_s - settled.clock_s) / HOUR_S)
    return Facts(value=value, sealed_h=sealed_h, needed_h=options.sleeve_clock_h, since=utc(settled.clock_s))
