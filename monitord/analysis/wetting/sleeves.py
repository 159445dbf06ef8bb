"""Re-wetting of sealed sleeves: humidity beyond a straight line of drying and what temperature does to sealed concrete.

The standard error holds the leverage of the line itself: a line of ten days carried on over two says little, so a
curve that bends as concrete dries is not taken for water.
"""

from __future__ import annotations

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.series.rolling import lagged, trailing_mean
from monitord.analysis.series.times import DAY_S
from monitord.analysis.wetting.cavities import airs_of_place, level_of
from monitord.analysis.wetting.innovations import (
    Innovations,
    Prior,
    Regression,
    exponential_mean,
    innovations,
    standard_score,
)
from monitord.analysis.wetting.parameters import WETTING, WettingParameters
from monitord.model.series import HOUR_S, Array, Flags


def window_hours(keep_h: int, parameters: WettingParameters = WETTING) -> int:
    """Hours of history that a verdict on the last `keep_h` hours rests on."""
    p = parameters
    return keep_h + p.train_h + p.sleeve_record_h + 2 * p.sleeve_gap_h + max(p.sleeve_windows_h)


def _regression(p: WettingParameters) -> Regression:
    return Regression(
        p.sleeve_gap_h,
        p.sleeve_record_h,
        p.sleeve_prior_correlation_h,
        p.sleeve_leverage_correlation_h,
        p.sleeve_sd_share,
        p.sleeve_min_scatter_pct,
    )


def sleeve_fit(sleeve: HourlySeries, humidity: Array, first: int, parameters: WettingParameters) -> Innovations:
    """Fit a sleeve's humidity, NaN where it does not count, for the hours from index `first` on."""
    days = (sleeve.hour_s - sleeve.hour_s[0]) / DAY_S
    warm = [exponential_mean(sleeve.temperature_c, lag) for lag in parameters.sleeve_temperature_lags_h]
    priors = np.array([parameters.sleeve_slope_prior, *parameters.sleeve_temperature_priors])
    regressors = np.column_stack([days, *warm])
    noise = np.full(len(sleeve), parameters.sleeve_noise_pct)
    return innovations(humidity, regressors, Prior(priors[:, 0], priors[:, 1]), noise, first, _regression(parameters))


def hits(
    sleeve: HourlySeries,
    references: ReferenceSeries,
    sealed_s: float,
    keep_h: int,
    parameters: WettingParameters = WETTING,
) -> tuple[Flags, Innovations | None]:
    """Hours of the last `keep_h` at which a sleeve is found to be getting wet again, (n,), and the fit."""
    n, out = len(sleeve), np.zeros(len(sleeve), dtype=bool)
    hour = sleeve.hour_s
    humidity = np.where(hour >= sealed_s + parameters.sleeve_begin_h * HOUR_S, sleeve.relative_humidity_pct, np.nan)
    judged = (np.arange(n) >= n - keep_h) & (hour >= sealed_s + parameters.sleeve_first_h * HOUR_S)
    judged &= _has_risen(humidity, parameters)
    if not judged.any():
        return out, None
    judged &= _wetter_than_room(sleeve, references)
    r = _regression(parameters)
    first = max(0, n - keep_h - r.record_h - r.gap_h - max(parameters.sleeve_windows_h))
    fit = sleeve_fit(sleeve, humidity, first, parameters)
    for span in parameters.sleeve_windows_h:
        mean = trailing_mean(fit.value, span)
        with np.errstate(invalid="ignore"):
            asked = np.flatnonzero(judged & (mean >= parameters.sleeve_rise_pct))
        if len(asked):
            with np.errstate(invalid="ignore"):
                out[asked] |= standard_score(mean, fit.leverage_u, asked, r) > parameters.sleeve_k
    return out, fit


def _has_risen(humidity: Array, parameters: WettingParameters) -> Flags:
    level = level_of(humidity)
    out = np.zeros(len(level), dtype=bool)
    with np.errstate(invalid="ignore"):
        for lag in parameters.sleeve_measured_lags_h:
            out |= level - lagged(level, lag) >= parameters.sleeve_measured_rise_pct
    return out


def _wetter_than_room(sleeve: HourlySeries, references: ReferenceSeries) -> Flags:
    """Hours at which its vapour is at least that of the room: else a leaky seal lets the room's air in."""
    out = np.ones(len(sleeve), dtype=bool)
    level = level_of(sleeve.vapour_pressure_pa)
    room = references.room if references.room is not None else next(iter(airs_of_place(references)), None)
    if room is not None:
        air = level_of(room.vapour_pressure_pa)
        with np.errstate(invalid="ignore"):
            out &= ~(level < air)
    return out
