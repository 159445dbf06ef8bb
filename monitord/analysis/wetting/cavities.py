"""Re-wetting of cavities and sub-floor voids: vapour beyond what the airs around it and its warmth explain.

The innovation test finds the rise; two physical gates take away what a regression can't know. A source of its own:
only water can hold a location's vapour over that of every air that reaches it. Reach: nothing but water can lift a
ventilated cavity's vapour by more than the air that it gets.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.series.rolling import lagged, trailing_mean
from monitord.analysis.wetting.innovations import (
    Innovations,
    InnovationTest,
    Prior,
    Regression,
    exponential_mean,
    standard_score,
)
from monitord.analysis.wetting.parameters import WETTING, WettingParameters
from monitord.model.jobs import LocationKind
from monitord.model.series import Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure


@dataclass(frozen=True)
class CavityFit:
    """What the airs explain of the vapour of a cavity or void."""

    fit: Innovations
    vapour: Array
    """[Pa]"""
    saturation: Array
    """[Pa]"""

    def excess_pct(self, at: int) -> Array:
        """Vapour beyond what the fit of hour `at` predicts, as humidity at the location's temperature, (n,). [% RH]"""
        return np.asarray(100.0 * (self.vapour - self.fit.predicted_by(at)) / self.saturation)


def window_hours(keep_h: int, parameters: WettingParameters = WETTING) -> int:
    """Hours of history that a verdict on the last `keep_h` hours rests on."""
    p = parameters
    return keep_h + p.train_h + p.cavity_record_h + 2 * p.cavity_gap_h + max(p.cavity_windows_h)


def _regression(p: WettingParameters) -> Regression:
    c = p.cavity_correlation_h
    return Regression(p.cavity_gap_h, p.cavity_record_h, c, c, p.cavity_sd_share)


def airs_of_place(references: ReferenceSeries) -> list[HourlySeries]:
    """The airs around a location, each once."""
    airs = [air for air in (references.air, references.room, references.outdoor) if air is not None]
    return [air for k, air in enumerate(airs) if air.location.id not in {a.location.id for a in airs[:k]}]


def level_of(value: Array) -> Array:
    """Mean of the last hours, (n,)."""
    return trailing_mean(value, WETTING.level_mean_h, WETTING.min_level_share)


def _level(series: HourlySeries) -> Array:
    return series.once(("level", 0.0), lambda: level_of(series.vapour_pressure_pa))


def _rise(series: HourlySeries) -> Array:
    return series.once(("rise", 0.0), lambda: rise(series.vapour_pressure_pa))


def _followed(air: HourlySeries, lag_h: float) -> Array:
    return air.once(("followed", lag_h), lambda: exponential_mean(air.vapour_pressure_pa, lag_h))


def rise(vapour: Array) -> Array:
    """Rise of the mean of the last hours against that of one to three days ago, (n,). [unit of the values]"""
    before = trailing_mean(vapour, WETTING.before_mean_h, WETTING.min_before_share)
    return level_of(vapour) - lagged(before, WETTING.before_gap_h)


def _air_rise(vapour: Array) -> Array:
    """Highest recent mean of an air less its mean of one to three days ago, (n,); minus infinity where unknown."""
    level = level_of(vapour)
    padded = np.concatenate([np.full(WETTING.air_peak_h - 1, -np.inf), np.where(np.isfinite(level), level, -np.inf)])
    peak = np.lib.stride_tricks.sliding_window_view(padded, WETTING.air_peak_h).max(axis=1)
    before = lagged(trailing_mean(vapour, WETTING.before_mean_h, WETTING.min_before_share), WETTING.before_gap_h)
    return np.where(np.isfinite(before), peak - before, -np.inf)


def _test_of(
    series: HourlySeries, airs: list[HourlySeries], parameters: WettingParameters
) -> tuple[InnovationTest, CavityFit]:
    """The test of the vapour of a cavity or void, and where its fits will be found."""
    saturation = np.full(len(series), np.nan)
    known = np.isfinite(series.temperature_c)
    saturation[known] = saturation_vapour_pressure(series.temperature_c[known])
    warmth = [saturation, *(exponential_mean(saturation, lag) for lag in parameters.cavity_warmth_lags_h)]
    columns, means = list(warmth), [parameters.cavity_warmth_prior[0]] * len(warmth)
    sds = [parameters.cavity_warmth_prior[1]] * len(warmth)
    for air in airs:
        for lag in parameters.cavity_air_lags_h:
            columns.append(_followed(air, lag))
            means.append(parameters.cavity_air_prior[0] / len(airs))
            sds.append(parameters.cavity_air_prior[1])
    prior = Prior(np.array(means), np.array(sds))
    noise = parameters.cavity_noise_pct / 100.0 * saturation
    vapour = series.vapour_pressure_pa
    test = InnovationTest(vapour, np.column_stack(columns), prior, noise, _regression(parameters))
    return test, CavityFit(test.found, vapour, saturation)


def hits(
    series: HourlySeries, references: ReferenceSeries, keep_h: int, parameters: WettingParameters = WETTING
) -> tuple[Flags, CavityFit | None]:
    """Hours of the last `keep_h` at which a cavity or void is found to be getting wet again, (n,), and the fit."""
    n, none = len(series), np.zeros(len(series), dtype=bool)
    known = np.flatnonzero(np.isfinite(series.vapour_pressure_pa))
    if not len(known) or n - known[0] <= parameters.cavity_first_h:
        return none, None
    judged = np.arange(n) >= max(n - keep_h, int(known[0]) + parameters.cavity_first_h)
    airs = airs_of_place(references)
    with np.errstate(invalid="ignore"):
        risen = judged & (_rise(series) > 0.0)
    if not risen.any():
        return none, None  # what has not risen at all needs no fit
    test, found = _test_of(series, airs, parameters)
    at = np.flatnonzero(risen)
    test.fit(at)
    gated = np.zeros(n, dtype=bool)
    gated[at] = _gates(series, airs, found.fit, at, parameters)
    if not gated.any():
        return none, found
    void = series.location.kind is LocationKind.SUBFLOOR_VOID
    k, least = (
        (parameters.void_k, parameters.void_rise_pct) if void else (parameters.cavity_k, parameters.cavity_rise_pct)
    )
    r, longest = _regression(parameters), max(parameters.cavity_windows_h)
    test.fit(_up_to(gated, longest))
    if not any(asked.any() for _, asked in _asked(found, gated, least, parameters)):
        return none, found
    test.fit(_up_to(gated, longest + r.gap_h + r.record_h))
    out, leverage = none, 100.0 * found.fit.leverage_u / found.saturation
    for mean, asked in _asked(found, gated, least, parameters):
        at = np.flatnonzero(asked)
        if len(at):
            with np.errstate(invalid="ignore"):
                out[at] |= standard_score(mean, leverage, at, r) > k
    return out, found


def _asked(
    found: CavityFit, gated: Flags, least: float, parameters: WettingParameters
) -> Iterator[tuple[Array, Flags]]:
    """For each window the mean innovation [% RH] and the hours at which it is large enough to be asked about, (n,)."""
    residual = 100.0 * found.fit.value / found.saturation
    for span, share in zip(parameters.cavity_windows_h, parameters.cavity_window_shares, strict=True):
        mean = trailing_mean(residual, span)
        with np.errstate(invalid="ignore"):
            yield mean, gated & (mean >= share * least)


def _up_to(hours: Flags, back_h: int) -> NDArray[np.intp]:
    """The hours given and those up to `back_h` before them."""
    out = hours.copy()
    for at in np.flatnonzero(hours).tolist():
        out[max(0, at - back_h) : at] = True
    return np.flatnonzero(out)


def _gates(
    series: HourlySeries,
    airs: list[HourlySeries],
    fit: Innovations,
    at: NDArray[np.intp],
    parameters: WettingParameters,
) -> Flags:
    """Whether a location has a source of its own and rose by more than the airs that reach it, at fitted hours `at`."""
    level, up = _level(series)[at], _rise(series)[at]
    void = series.location.kind is LocationKind.SUBFLOOR_VOID
    with np.errstate(invalid="ignore"):
        passed = up > 0.0
        for k, air in enumerate(airs):
            lags = len(parameters.cavity_air_lags_h)
            first = 1 + len(parameters.cavity_warmth_lags_h) + k * lags
            columns = range(first, first + lags)
            total, se = fit.coefficient_of(columns, parameters.cavity_correlation_h, at)
            most = total + 2.0 * se
            asked = ~(most < parameters.reaches)
            share = parameters.void_reach * np.clip(most, 0.0, 1.0) if void else 1.0
            air_level = _level(air)[at]
            unknown = ~np.isfinite(air_level)  # an air that is not measured explains nothing and is not asked
            if void:  # an even room may reach it or not: that its own vapour is less says nothing then
                unknown = unknown | ~(total - 2.0 * se > parameters.reaches)
            own = (level >= parameters.own_source * air_level) | unknown
            air_up = air.once(("air_rise", 0.0), partial(_air_rise, air.vapour_pressure_pa))[at]
            reach = (up >= share * np.maximum(air_up, 0.0)) | ~np.isfinite(air_up)
            passed &= ~asked | (own & reach)
    return np.asarray(passed)
