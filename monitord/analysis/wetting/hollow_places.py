"""Re-wetting of cavities and sub-floor voids: vapour beyond what the airs around and the warmth of the place explain.

The innovation test finds the rise; two physical gates take away what a regression can't know. A source of its own:
only water can hold a place's vapour over that of every air that reaches it. Reach: nothing but water can lift a
ventilated cavity's vapour by more than the air that it gets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.hourly_series import Around, HourlySeries
from monitord.analysis.series.rolling import trailing_mean
from monitord.analysis.wetting.innovations import Innovations, Prior, exponential_mean, innovations, standard_score
from monitord.analysis.wetting.parameters import HOLLOW_PLACES, HollowPlaceParameters
from monitord.model.jobs import LocationKind
from monitord.model.series import Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure

_LEVEL_H, _BEFORE_H, _BEFORE_END_H, _AIR_PEAK_H = 6, 48, 30, 12
"""Rise: mean of 6 h less that of the 48 h that ended 30 h ago; an air's highest of 12 h counts (our choice)."""


@dataclass(frozen=True)
class HollowFit:
    """What the airs explain of a hollow place's vapour."""

    fit: Innovations
    vapour: Array
    """[Pa]"""
    saturation: Array
    """[Pa]"""

    def excess_pct(self, at: int) -> Array:
        """Vapour beyond what the fit of hour `at` predicts, as humidity at the place's temperature, (n,). [% RH]"""
        return np.asarray(100.0 * (self.vapour - self.fit.predicted_by(at)) / self.saturation)


def window_hours(keep_h: int, parameters: HollowPlaceParameters = HOLLOW_PLACES) -> int:
    """Hours of history that a verdict on the last `keep_h` hours rests on."""
    r = parameters.regression
    return keep_h + r.train_h + r.record_h + 2 * r.gap_h + max(parameters.windows_h)


def airs_of_place(around: Around) -> list[HourlySeries]:
    """The airs around a place, each once."""
    airs = [air for air in (around.air, around.room, around.outdoor) if air is not None]
    return [air for k, air in enumerate(airs) if air.location.id not in {a.location.id for a in airs[:k]}]


def rise(vapour: Array) -> Array:
    """Rise of the mean of the last hours against that of one to three days ago, (n,). [unit of the values]"""
    before = trailing_mean(vapour, _BEFORE_H, 0.25)
    return trailing_mean(vapour, _LEVEL_H, 0.3) - _shifted(before, _BEFORE_END_H)


def _shifted(value: Array, hours: int) -> Array:
    out = np.full(len(value), np.nan)
    out[hours:] = value[: len(value) - hours] if hours else value
    return out


def _air_rise(vapour: Array) -> Array:
    """Highest recent mean of an air less its mean of one to three days ago, (n,); minus infinity where unknown."""
    level = trailing_mean(vapour, _LEVEL_H, 0.3)
    padded = np.concatenate([np.full(_AIR_PEAK_H - 1, -np.inf), np.where(np.isfinite(level), level, -np.inf)])
    peak = np.lib.stride_tricks.sliding_window_view(padded, _AIR_PEAK_H).max(axis=1)
    before = _shifted(trailing_mean(vapour, _BEFORE_H, 0.25), _BEFORE_END_H)
    return np.where(np.isfinite(before), peak - before, -np.inf)


def hollow_fit(
    here: HourlySeries, airs: list[HourlySeries], first: int, parameters: HollowPlaceParameters = HOLLOW_PLACES
) -> HollowFit:
    """Fit a hollow place's vapour, for the hours from index `first` on."""
    saturation = np.full(len(here), np.nan)
    known = np.isfinite(here.temperature_c)
    saturation[known] = saturation_vapour_pressure(here.temperature_c[known])
    warmth = [saturation, *(exponential_mean(saturation, lag) for lag in parameters.saturation_lags_h)]
    columns, means = list(warmth), [parameters.saturation_prior[0]] * len(warmth)
    sds = [parameters.saturation_prior[1]] * len(warmth)
    for air in airs:
        for lag in parameters.lags_h:
            columns.append(exponential_mean(air.vapour_pressure_pa, lag))
            means.append(parameters.air_prior[0] / len(airs))
            sds.append(parameters.air_prior[1])
    prior = Prior(np.array(means), np.array(sds))
    noise = parameters.regression.noise / 100.0 * saturation
    fit = innovations(here.vapour_pressure_pa, np.column_stack(columns), prior, noise, first, parameters.regression)
    return HollowFit(fit, here.vapour_pressure_pa, saturation)


def hits(
    here: HourlySeries, around: Around, keep_h: int, parameters: HollowPlaceParameters = HOLLOW_PLACES
) -> tuple[Flags, HollowFit | None]:
    """Hours of the last `keep_h` at which a hollow place is found to be getting wet again, (n,), and the fit."""
    n, none = len(here), np.zeros(len(here), dtype=bool)
    known = np.flatnonzero(np.isfinite(here.vapour_pressure_pa))
    if not len(known) or n - known[0] <= parameters.first_verdict_h:
        return none, None
    judged = np.arange(n) >= max(n - keep_h, int(known[0]) + parameters.first_verdict_h)
    airs = airs_of_place(around)
    if not _may_reach(here, airs, judged).any():
        return none, None
    r = parameters.regression
    first = max(0, n - keep_h - r.record_h - r.gap_h - max(parameters.windows_h))
    found = hollow_fit(here, airs, first, parameters)
    gated = judged & _gates(here, airs, found.fit, parameters)
    out = none
    void = here.location.kind is LocationKind.SUBFLOOR_VOID
    k, least = (
        (parameters.void_k, parameters.void_rise_pct) if void else (parameters.cavity_k, parameters.cavity_rise_pct)
    )
    residual, leverage = (100.0 * part / found.saturation for part in (found.fit.value, found.fit.leverage_u))
    for span, share in zip(parameters.windows_h, parameters.window_shares, strict=True):
        mean = trailing_mean(residual, span)
        with np.errstate(invalid="ignore"):
            asked = np.flatnonzero(gated & (mean >= share * least))
        if len(asked):
            with np.errstate(invalid="ignore"):
                out[asked] |= standard_score(mean, leverage, asked, r) > k
    return out, found


def _may_reach(here: HourlySeries, airs: list[HourlySeries], judged: Flags) -> Flags:
    """Hours at which the place's vapour has risen at all: the others need no fit."""
    with np.errstate(invalid="ignore"):
        return np.asarray(judged & (rise(here.vapour_pressure_pa) > 0.0))


def _gates(here: HourlySeries, airs: list[HourlySeries], fit: Innovations, parameters: HollowPlaceParameters) -> Flags:
    """Hours at which the place has a source of its own and has risen by more than the airs that reach it, (n,)."""
    level, up = trailing_mean(here.vapour_pressure_pa, _LEVEL_H, 0.3), rise(here.vapour_pressure_pa)
    void = here.location.kind is LocationKind.SUBFLOOR_VOID
    with np.errstate(invalid="ignore"):
        passed = up > 0.0
        for k, air in enumerate(airs):
            lags = len(parameters.lags_h)
            first = 1 + len(parameters.saturation_lags_h) + k * lags
            columns = range(first, first + lags)
            total, se = fit.coefficient_of(columns, parameters.regression.leverage_correlation)
            most = total + 2.0 * se
            asked = ~(most < parameters.reaches)
            share = parameters.void_reach * np.clip(most, 0.0, 1.0) if void else 1.0
            air_level = trailing_mean(air.vapour_pressure_pa, _LEVEL_H, 0.3)
            unknown = ~np.isfinite(air_level)  # an air that is not heard explains nothing and is not asked
            own = (level >= parameters.own_source * air_level) | unknown
            air_up = _air_rise(air.vapour_pressure_pa)
            reach = (up >= share * np.maximum(air_up, 0.0)) | ~np.isfinite(air_up)
            passed &= ~asked | (own & reach)
    return np.asarray(passed)
