"""Getting wet again: a rise that neither the temperature nor the air around it explains.

A leak raises the relative humidity (a warming alone would not) and the vapour pressure (a cooling alone would not), and
by more than the air can account for. How far an air reaches a place is learned from the place itself: one that stayed
calm while that air wandered is hardly coupled to it. Rises are taken against the same hours of days before, so that
daily cycles cancel, and against how much they usually scatter here.
"""

from __future__ import annotations

import numpy as np

from monitord.analysis.series.events import Event, hour_of, newest_event
from monitord.analysis.series.hourly_series import Around, HourlySeries, is_sleeve
from monitord.analysis.series.rolling import lagged, trailing_mean
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.temperature_effect import sleeve_humidity_slope
from monitord.analysis.wetting.slow_rise import SlowRise, find_slow_rise
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind, Truth
from monitord.model.jobs import LocationKind
from monitord.model.series import HOUR_S, Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure

_MEAN_H = 4
_REACH = 1.5
_COUPLED = 0.25
_SLOW_RISE_SHARE = 0.67
"""Share of the sleeves' least rise that a departure from their own course needs: it is slow, and so surer."""
_HOLD_H = 10 * 24
"""How long an event stands after its last hit: by then the new level is the usual one. [h]"""
_VENTED = 0.7
"""Least reach of the outdoor air into a ventilated sub-floor void."""


VOID_LAGS_D = (1, 2, 3)
SLEEVE_LAGS_D = (1, 3, 7, 14)
"""A rise is taken against the same hours so many days before; concrete is slow."""

WINDOW_H = 30 * 24
"""Hours that detection looks at: events of up to two weeks, the usual scatter of the eleven days before them, and the
longest lag before that."""
_SLEEVE_WINDOW_H = 35 * 24
"""The same for sleeves, whose lags are longer."""


def rises(value: Array, lags_d: tuple[int, ...] = VOID_LAGS_D, mean_h: int = _MEAN_H) -> Array:
    """Rise of the mean of the last hours against the same hours so many days before, (lags, n)."""
    smooth = trailing_mean(value, mean_h)
    rise = np.full((len(lags_d), len(smooth)), np.nan)
    for row, day in enumerate(lags_d):
        rise[row, 24 * day :] = smooth[24 * day :] - smooth[: -24 * day]
    return rise


def usual_rise(rise: Array) -> tuple[Array, Array]:
    """Usual rise (lags, n) and its scatter over the ten days that end a day before each hour, same shape.

    Median absolute deviation of the days' means, and the scatter within a usual day, so that one past event does not
    raise it. NaN where fewer than three days are known.
    """
    lags, n = rise.shape
    days = n // 24
    out, usual = np.full((lags, n), np.nan), np.full((lags, n), np.nan)
    if days < 4:
        return usual, out
    cut = n - 24 * days
    blocks = rise[:, cut:].reshape(lags, days, 24)
    known = np.isfinite(blocks)
    count = known.sum(axis=2)
    filled = np.where(known, blocks, 0.0)
    mean = np.where(count >= 8, filled.sum(axis=2) / np.maximum(count, 1), np.nan)
    square = (np.where(known, (blocks - mean[:, :, None]) ** 2, 0.0)).sum(axis=2) / np.maximum(count, 1)
    windows = _windows(mean)
    middle = _median(windows)
    apart = 1.4826 * _median(np.abs(windows - middle[:, :, None]))
    within = np.sqrt(_median(_windows(np.where(np.isfinite(mean), square, np.nan))))
    usual[:, cut:] = np.repeat(middle, 24, axis=1)
    out[:, cut:] = np.repeat(np.hypot(apart, within), 24, axis=1)
    return usual, out


def _windows(daily: Array) -> Array:
    """For each day the ten days from eleven to two days before it, (lags, days, 10)."""
    padded = np.concatenate([np.full((len(daily), 11), np.nan), daily], axis=1)
    return np.lib.stride_tricks.sliding_window_view(padded, 10, axis=1)[:, : daily.shape[1]]


def _median(windows: Array) -> Array:
    """Median over the last axis of what is known, NaN with fewer than three."""
    lags, days, width = windows.shape
    ordered = np.sort(windows, axis=2).reshape(-1, width)  # NaN last
    counts = np.isfinite(ordered).sum(axis=1)
    row = np.arange(len(ordered))
    middle = 0.5 * (ordered[row, np.maximum(counts - 1, 0) // 2] + ordered[row, np.minimum(counts // 2, width - 1)])
    return np.where(counts >= 3, middle, np.nan).reshape(lags, days)


def _smooth_saturation(temperature_c: Array, hours: int = 24) -> Array:
    """Saturation pressure at the place's own mean temperature of the last hours; NaN where that is unknown. [Pa]"""
    return saturation_vapour_pressure(trailing_mean(temperature_c, hours, 0.1))


def _in_rh(vapour_pressure_pa: Array, saturation_pa: Array) -> Array:
    """A vapour pressure as humidity at a place: what that air would bring it to. [%]"""
    return 100.0 * vapour_pressure_pa / saturation_pa


def _airs(around: Around) -> list[HourlySeries]:
    airs = [air for air in (around.air, around.room, around.outdoor) if air is not None]
    return [air for k, air in enumerate(airs) if air.location.id not in {a.location.id for a in airs[:k]}]


def _greatest_lately(rise: Array, hours: int) -> Array:
    """Greatest value of the last hours, unknown ones left out, same shape; minus infinity where none is known."""
    padded = np.concatenate([np.full((len(rise), hours - 1), -np.inf), np.where(np.isfinite(rise), rise, -np.inf)], 1)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, hours, axis=1).max(axis=2))


def coupling_of(rise_usual: Array, air_usual: Array) -> Array:
    """How far an air moves a place, 0..1, from how calm the place stayed while that air wandered; 1 where unknown."""
    with np.errstate(invalid="ignore", divide="ignore"):
        coupling = np.clip(_REACH * rise_usual / air_usual, 0.0, 1.0)
    return np.where(np.isfinite(coupling), coupling, 1.0)


def detected(
    here: HourlySeries, around: Around, options: AnalysisOptions, settled_s: float = -np.inf
) -> tuple[Flags, Array]:
    """Hours at which a place is found to be getting wet again, and the limit of a rise within a day, each (n,).

    None, and unknown limits, where nothing was found within the last hours from which an event could still stand.
    Only rises that began after `settled_s` count: a sleeve that still approaches its concrete rises unwetted. [s]
    """
    sleeve = is_sleeve(here)
    lags = SLEEVE_LAGS_D if sleeve else VOID_LAGS_D
    minimum = options.rewetting_sleeve_pct if sleeve else options.rewetting_void_pct
    spreads = options.rewetting_sleeve_spreads if sleeve else options.rewetting_spreads
    humidity = _cleaned(here) if sleeve else here.relative_humidity_pct
    rise = rises(humidity, lags)
    for row, lag in enumerate(lags):
        rise[row, here.hour_s < settled_s + lag * 24 * HOUR_S] = np.nan
    with np.errstate(invalid="ignore"):
        hit = rise > minimum
    if not sleeve and _lately(hit):  # sealed concrete is cleaned of temperature
        hit &= _gains_vapour(here, lags, 0.5 * minimum)
    if not _lately(hit):
        return np.zeros(len(here), dtype=bool), np.full(len(here), np.nan)  # what is usual here need not be asked
    trend, usual = usual_rise(rise)
    limit = minimum + spreads * usual  # NaN, and so no finding, before the place has shown what is usual here
    quickened = rise - np.minimum(np.where(np.isfinite(trend), trend, 0.0), 0.0)
    with np.errstate(invalid="ignore"):
        hit &= quickened > limit
    if sleeve and _lately(hit):
        hit &= _quickens(rise, lags, minimum)
    if not _lately(hit):
        return np.zeros(len(here), dtype=bool), limit[0]  # what the air explains need not be asked
    explained, wetter = _by_airs(here, around, lags, usual, trailing_mean(humidity, _MEAN_H))
    with np.errstate(invalid="ignore"):
        hit &= (quickened > limit + explained) & ~wetter
    return np.asarray(hit.any(axis=0)), limit[0]


def _lately(hit: Flags) -> bool:
    """Whether there are hits late enough for an event that still stands."""
    return bool(hit[:, -_HOLD_H - 1 :].any())


def _cleaned(sleeve: HourlySeries) -> Array:
    """Humidity of a sleeve at its mean temperature. [%]"""
    slow_t = trailing_mean(sleeve.temperature_c, 3)
    return np.asarray(sleeve.relative_humidity_pct - sleeve_humidity_slope(sleeve) * (slow_t - _mean(slow_t)))


def _slow_rise(sleeve: HourlySeries, around: Around, options: AnalysisOptions, settled_s: float) -> SlowRise | None:
    """Whether a sleeve's concrete has turned from drying to getting wet, slowly and from below."""
    humidity = np.where(sleeve.hour_s >= settled_s, _cleaned(sleeve), np.nan)
    saturation = _smooth_saturation(sleeve.temperature_c)
    airs = [_in_rh(air.vapour_pressure_pa, saturation) for air in _airs(around)]
    air = np.fmax.reduce(airs) if airs else np.full(len(sleeve), np.nan)
    return find_slow_rise(humidity, sleeve.temperature_c, air, _SLOW_RISE_SHARE * options.rewetting_sleeve_pct)


def _gains_vapour(here: HourlySeries, lags: tuple[int, ...], minimum: float) -> Flags:
    """Where vapour itself rose, (lags, n) of bool: a cooling alone raises the humidity, but no vapour."""
    vapour = rises(here.vapour_pressure_pa, lags) * (100.0 / _smooth_saturation(here.temperature_c))
    with np.errstate(invalid="ignore"):
        return np.asarray(vapour > minimum)


def _by_airs(
    here: HourlySeries, around: Around, lags: tuple[int, ...], usual: Array, level: Array
) -> tuple[Array, Flags]:
    """What of a rise the airs explain [%], and where an air is as wet as the place itself, each (lags, n)."""
    explained, wetter = np.zeros(usual.shape), np.zeros(usual.shape, dtype=bool)
    # at the present temperature: by the day's mean, the cooling of an evening would be no explanation
    saturation = _smooth_saturation(here.temperature_c, _MEAN_H)
    with np.errstate(invalid="ignore"):
        for air in _airs(around):
            at_location = _in_rh(air.vapour_pressure_pa, saturation)
            air_rise = rises(at_location, lags, 6)
            coupling = coupling_of(np.maximum(usual, 0.1), usual_rise(air_rise)[1])
            if air is around.outdoor and here.location.kind is LocationKind.SUBFLOOR_VOID:
                coupling = np.maximum(coupling, _VENTED)
            explained = np.maximum(explained, coupling * np.maximum(_greatest_lately(air_rise, 24), 0.0))
            coupled = (coupling > _COUPLED) | (air is around.air)
            wetter |= coupled & (level < _highest_lately(at_location) + 1.0)[None, :]
    return explained, wetter


def _highest_lately(at_location: Array) -> Array:
    """Highest half-day mean of an air at a place within a day, (n,); minus infinity where unknown."""
    return np.asarray(_greatest_lately(trailing_mean(at_location, 12, 0.2)[None, :], 24)[0])


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0


def _quickens(rise: Array, lags: tuple[int, ...], minimum: float) -> Flags:
    """Where a rise is greater than the one before it: an approach to equilibrium slows down, new water does not."""
    out = np.empty(rise.shape, dtype=bool)
    for row, lag in enumerate(lags):
        before = lagged(rise[row], 24 * lag)
        day_before = lagged(rise[row], 24)
        before = np.where(np.isfinite(before), before, np.where(np.isfinite(day_before), day_before, np.inf))
        out[row] = rise[row] - before > 0.5 * minimum
    return out


def _rise(here: HourlySeries, around: Around, options: AnalysisOptions, settled_s: float) -> Event | None:
    """The rise that stands. [% RH]"""
    hits, _ = detected(here, around, options, settled_s)
    minimum = options.rewetting_sleeve_pct if is_sleeve(here) else options.rewetting_void_pct
    event = newest_event(
        hits,
        here.relative_humidity_pct,
        apart_h=72,
        back_share=0.4,
        hold_h=_HOLD_H,
        min_fall=0.5 * minimum,
        min_rise=0.7 * minimum,
    )
    return event if event is not None and event.active else None


def wetting(
    here: HourlySeries, around: Around, as_of_s: float, options: AnalysisOptions, settled_s: float
) -> Finding | None:
    """The finding about a place getting wet again; unknown while it is not heard.

    Only rises from `settled_s` on count: a sleeve that still approaches its concrete rises without being wetted. [s]
    """
    if len(here) < 36:
        return None
    window_h = _SLEEVE_WINDOW_H if is_sleeve(here) else WINDOW_H
    event = _rise(here.last(window_h), around.last(window_h), options, settled_s)
    slow_rise = _slow_rise(here, around, options, settled_s) if event is None and is_sleeve(here) else None
    heard = bool(np.isfinite(here.relative_humidity_pct[-6:]).any())
    since, facts = None, Facts()
    outdoor_known = around.outdoor is not None and bool(np.isfinite(around.outdoor.vapour_pressure_pa[-24:]).any())
    if event is not None:
        since = utc(hour_of(here.last(window_h).hour_s, event.began))
        now, base = _humidity(here, event.now), _humidity(here, event.base)
        facts = Facts(value=now, before=base, before_at=since, since=since, outdoor_known=outdoor_known)
    elif slow_rise is not None:
        since = utc(float(here.hour_s[-1]) + HOUR_S - 86_400.0 * slow_rise.days_ago)
        level, course = _humidity(here, slow_rise.level), _humidity(here, slow_rise.course)
        facts = Facts(value=level, expected=course, since=since, outdoor_known=outdoor_known)
    return Finding(
        kind=FindingKind.REWETTING,
        location=here.location.id,
        probe=None,
        measured_at=utc(as_of_s),
        truth=Truth.of(since is not None) if heard else Truth.UNKNOWN,
        readings=int(np.isfinite(here.relative_humidity_pct[-24:]).sum()),
        since=since,
        facts=facts,
    )


def _humidity(here: HourlySeries, value: float) -> Quantity:
    """A relative humidity of a location with the uncertainty of its probe."""
    return Quantity(value=value, u=here.uncertainty.relative_humidity_pct, unit="% RH")
