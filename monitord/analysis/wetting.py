"""Getting wet again: a rise that neither the temperature nor the air around it explains.

A leak raises three things together: the relative humidity (a warming alone would not), the vapour pressure (a cooling
alone would not), and the excess of vapour pressure over every air around (humid weather alone would not). Each is
compared with the same hours of the days before, so that daily cycles cancel, and with how much that difference usually
wanders at this place.
"""

from __future__ import annotations

import numpy as np

from monitord.analysis.comparison import utc
from monitord.analysis.events import hour_of, newest_event
from monitord.analysis.metric import Around, is_sleeve
from monitord.analysis.rolling import lagged, trailing_mean
from monitord.analysis.track import Track
from monitord.analysis.words import LOOK_FIRST, WHY
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import Finding
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure

_MEAN_H = 4
_LOOK_BACK_H = 14 * 24


LAGS_D = (1, 2, 3)
"""A rise is taken against the same hours so many days before; the greatest counts."""

WINDOW_H = 30 * 24
"""Hours that detection looks at: ten days of events, and the usual wandering before them."""


def rises(value: Array, mean_h: int = _MEAN_H) -> Array:
    """Rise of the mean of the last hours against the same hours of each day in `LAGS_D` before, (lags, n)."""
    smooth = trailing_mean(value, mean_h)
    return np.stack([smooth - lagged(smooth, 24 * day) for day in LAGS_D])


def usual_spread(rise: Array) -> Array:
    """Usual spread of rises (lags, n) over the ten days that end a day before each hour, same shape.

    The median over days of each day's mean absolute rise, so that one past event does not raise it; 1.25 takes a mean
    absolute value to a standard deviation (normal distribution). NaN where fewer than two days are known.
    """
    lags, n = rise.shape
    days = n // 24
    out = np.full((lags, n), np.nan)
    if days < 4:
        return out
    cut = n - 24 * days
    blocks = np.abs(rise[:, cut:]).reshape(lags, days, 24)
    known = np.isfinite(blocks)
    count = known.sum(axis=2)
    total = np.where(known, blocks, 0.0).sum(axis=2)
    level = np.where(count >= 8, total / np.maximum(count, 1), np.nan)
    padded = np.concatenate([np.full((lags, 11), np.nan), level], axis=1)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 10, axis=1)[:, :days]  # the days k-11 .. k-2
    some = np.isfinite(windows).sum(axis=2) >= 2
    median = np.full((lags, days), np.nan)
    ordered = np.sort(windows[some], axis=1)  # NaN last
    counts = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(ordered))
    median[some] = 0.5 * (ordered[rows, (counts - 1) // 2] + ordered[rows, counts // 2])
    out[:, cut:] = np.repeat(1.25 * median, 24, axis=1)
    return out


def sleeve_coefficient(here: Track) -> float:
    """Rise of a sealed sleeve's humidity with temperature (Bažant and Najjar 1972). [%/K]"""
    known = here.relative_humidity_pct[-240:]
    known = known[np.isfinite(known)]
    h = min(max(float(np.median(known)) / 100.0, 0.3), 0.99) if len(known) else 0.85
    return 100.0 * 0.0135 * h * (1.0 - h) / (1.25 - h)


def _excess_in_rh(here: Track, air: Track) -> Array:
    """Excess of vapour pressure over an air, as humidity at the place's own temperature. [% RH]"""
    out = np.full(len(here), np.nan)
    known = np.isfinite(here.vapour_pressure_pa) & np.isfinite(air.vapour_pressure_pa)
    saturation = saturation_vapour_pressure(here.temperature_c[known])
    out[known] = 100.0 * (here.vapour_pressure_pa[known] - air.vapour_pressure_pa[known]) / saturation
    return out


def _airs(around: Around) -> list[Track]:
    airs = [air for air in (around.air, around.room, around.outdoor) if air is not None]
    return [air for k, air in enumerate(airs) if air.location.id not in {a.location.id for a in airs[:k]}]


def detected(here: Track, around: Around, options: AnalysisOptions) -> tuple[Array, Array]:
    """Hours at which a place is found to be getting wet again, and the limit of a rise within a day, each (n,)."""
    sleeve = is_sleeve(here)
    least = options.rewetting_sleeve_pct if sleeve else options.rewetting_void_pct
    cleaned = here.relative_humidity_pct
    if sleeve:
        slow_t = trailing_mean(here.temperature_c, 3)
        cleaned = cleaned - sleeve_coefficient(here) * (slow_t - np.nanmean(slow_t))
    rise = rises(cleaned)
    usual = usual_spread(rise)
    limit = least + options.rewetting_spreads * np.where(np.isfinite(usual), usual, least)
    with np.errstate(invalid="ignore"):
        hit = rise > limit
        if sleeve:  # an approach to equilibrium slows down; new water makes the rise quicken
            hit &= rise - np.stack([lagged(row, 24) for row in rise]) > 0.5 * least
        for air in _airs(around):
            excess = rises(_excess_in_rh(here, air))
            spread = usual_spread(excess)
            need = 0.5 * least + options.rewetting_spreads * np.where(np.isfinite(spread), spread, least)
            hit &= ~np.isfinite(excess) | (excess > (0.0 if sleeve else need))
    return hit.any(axis=0), limit[0]


def wetting(here: Track, around: Around, as_of_s: float, options: AnalysisOptions, settled_s: float) -> Finding | None:
    """The finding about a place getting wet again; unknown while it is not heard.

    Only rises from `settled_s` on count: a sleeve that still approaches its concrete rises without being wetted. [s]
    """
    if len(here) < 36:
        return None
    here, around = here.last(WINDOW_H), around.last(WINDOW_H)
    hits, limit = detected(here, around, options)
    hits &= here.hour_s >= settled_s
    least = options.rewetting_sleeve_pct if is_sleeve(here) else options.rewetting_void_pct
    event = newest_event(
        hits, here.relative_humidity_pct, apart_h=72, back_share=0.4, hold_h=10 * 24, least_fall=0.5 * least
    )
    heard = bool(np.isfinite(here.relative_humidity_pct[-6:]).any())
    active = event is not None and event.active
    label = here.location.label
    summary = f"{label}: no rise beyond what temperature and air explain."
    if active and event is not None:
        summary = (
            f"{label}: humidity rose from {event.base:.1f} to {event.now:.1f} % RH; "
            f"the usual wandering here is under {limit[event.began]:.1f} %, and the air around does not explain it."
        )
    return Finding(
        kind="rewetting",
        location=here.location.id,
        probe=None,
        measured_at=utc(as_of_s),
        value=(1.0 if active else 0.0) if heard else None,
        unit="confidence",
        readings=int(np.isfinite(here.relative_humidity_pct[-24:]).sum()),
        since=utc(hour_of(here.hour_s, event.began)) if active and event is not None else None,
        confidence=(1.0 if active else 0.0) if heard else None,
        summary=summary,
        why=WHY["rewetting"],
        look_first=LOOK_FIRST["rewetting"],
    )
