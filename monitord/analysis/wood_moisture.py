"""Timber beside the air of a cavity or void: what it would hold, and for how long it has been wet enough to decay.

The air's equilibrium moisture content is lagged as a joist lags it. The estimate starts in equilibrium with the air
of the first day, which is the least that can be said; what it would be had the timber been soaked at the start is
given beside it. A spot reading by hand sets the estimate anew, weighed by its doubt. While nothing is heard the
timber is held as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from monitord.analysis.comparison import utc
from monitord.analysis.track import Track
from monitord.analysis.words import LOOK_FIRST, WHY
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import Finding, Quantity
from monitord.model.damage import WoodMoisture
from monitord.model.series import HOUR_S, Array
from monitord.physics.wood import (
    DECAY_SLOW_ABOVE_C,
    DECAY_SLOW_BELOW_C,
    DECAY_STOPS_ABOVE_C,
    DECAY_STOPS_BELOW_C,
    FIBRE_SATURATION_PCT,
    equilibrium_moisture_content,
)

_LEAST_HOURS = 24
_WETTEST_RH = 99.0


@dataclass(frozen=True)
class TimberSpot:
    """A moisture content measured by hand."""

    time_s: float
    moisture_content_pct: float
    """Corrected for species and temperature. [% of dry mass]"""
    u_pct: float = 2.0
    """Standard uncertainty; a resistance meter gives about 2 (common practice). [% of dry mass]"""


@dataclass(frozen=True)
class WoodCourse:
    """Moisture content of timber after each hour, each (n,). [% of dry mass]"""

    value: Array
    high: Array
    """Had it been at fibre saturation at the start."""
    equilibrium: Array
    """In equilibrium with the air of the hour; NaN where unknown."""
    u_start: float
    """Standard uncertainty that is left of the start, or of the last spot reading."""


def lagged_known(values: Array, share: float, start: float) -> Array:
    """First-order lag over hourly values, held where they are NaN: M += share (value - M) in each known hour."""
    known = np.isfinite(values)
    out = np.full(len(values), start)
    if known.any():
        course, _ = lfilter([share], [1.0, share - 1.0], values[known], zi=[(1.0 - share) * start])
        reached = np.maximum(np.cumsum(known) - 1, 0)
        out = np.where(np.cumsum(known) > 0, course[reached], start)
    return np.asarray(out, dtype=np.float64)


def wood_course(here: Track, options: AnalysisOptions, spots: Sequence[TimberSpot] = ()) -> WoodCourse | None:
    """Estimate the moisture content of timber in the air of a track; None while less than a day is known.

    Source
    ------
    Equilibrium: Wood Handbook (FPL-GTR-282) ch. 4 eq. 4-5, of which one species scatters 1 to 2 %. Lag: common
    practice, `timber_lag_days`. Spot readings: the mean weighed by both variances (JCGM 100:2008).
    """
    known = np.isfinite(here.temperature_c) & np.isfinite(here.relative_humidity_pct)
    if known.sum() < _LEAST_HOURS:
        return None
    emc = np.full(len(here), np.nan)
    t = np.clip(here.temperature_c[known], -39.0, 100.0)
    emc[known] = equilibrium_moisture_content(t, np.clip(here.relative_humidity_pct[known], 0.0, _WETTEST_RH))
    share = float(-np.expm1(-HOUR_S / (options.timber_lag_days * 86_400.0)))
    start = float(emc[known][:24].mean())
    low = lagged_known(emc, share, start)
    high = lagged_known(emc, share, max(FIBRE_SATURATION_PCT, start))
    u = (max(FIBRE_SATURATION_PCT, start) - start) / np.sqrt(12.0)
    since = 0
    for spot in sorted(spots, key=lambda s: s.time_s):
        at = int(np.searchsorted(here.hour_s, spot.time_s))
        if not 0 < at < len(here):
            continue
        u_now = float(np.hypot(u * (1.0 - share) ** int(known[since:at].sum()), options.timber_species_u_pct))
        weight = u_now**2 / (u_now**2 + spot.u_pct**2)
        level = float(low[at - 1] + weight * (spot.moisture_content_pct - low[at - 1]))
        low[at:] = lagged_known(emc[at:], share, level)
        high[at:] = low[at:]
        u, since = float(np.sqrt(weight) * spot.u_pct), at
    u *= float((1.0 - share) ** int(known[since:].sum()))
    return WoodCourse(low, high, emc, u)


def wood_moisture(
    here: Track, hour_s: float, options: AnalysisOptions, spots: Sequence[TimberSpot] = ()
) -> WoodMoisture | None:
    """Timber at a location as of a full hour; None while too little is known."""
    course = wood_course(here, options, spots)
    if course is None:
        return None
    value, high = float(course.value[-1]), float(course.high[-1])
    last_day = course.equilibrium[-24:]
    equilibrium = float(np.nanmean(last_day)) if np.isfinite(last_day).any() else None
    above = course.value >= options.wood_decay_pct
    run = int(np.flatnonzero(~above)[-1]) + 1 if (~above).any() else 0
    used = [s.time_s for s in spots if here.hour_s[0] < s.time_s <= here.hour_s[-1]]
    warmth = _warmth(here.temperature_c[-168:])
    u = float(np.hypot(options.timber_species_u_pct, _by_probe(here, course.equilibrium)))
    if used:
        u = float(np.hypot(u, course.u_start))
    found = WoodMoisture(
        at=utc(hour_s),
        value=Quantity(value=value, u=u, unit="% MC"),
        high=high,
        equilibrium=equilibrium,
        above_since=utc(float(here.hour_s[run])) if above[-1] else None,
        warmth=warmth,
        spot_at=utc(max(used)) if used else None,
        words="",
    )
    return found.model_copy(update={"words": _words(found, options)})


def _by_probe(here: Track, equilibrium: Array) -> float:
    """What the probe's humidity error does to the equilibrium of the last known hour. [% of dry mass]"""
    at = int(np.flatnonzero(np.isfinite(equilibrium))[-1])
    t = float(np.clip(here.temperature_c[at], -39.0, 100.0))
    rh = float(np.clip(here.relative_humidity_pct[at], 0.0, 97.0))
    step = float(equilibrium_moisture_content(t, rh + 2.0)) - float(equilibrium_moisture_content(t, max(rh - 2.0, 0.0)))
    return abs(step) / (2.0 + min(rh, 2.0)) * here.doubt.relative_humidity_pct


def _warmth(temperature_c: Array) -> str:
    """Whether decay could run at the mean temperature of these hours (Wood Handbook ch. 14)."""
    known = temperature_c[np.isfinite(temperature_c)]
    mean = float(known.mean()) if len(known) else 20.0
    if mean < DECAY_STOPS_BELOW_C or mean > DECAY_STOPS_ABOVE_C:
        return "stopped"
    return "slow" if mean < DECAY_SLOW_BELOW_C or mean > DECAY_SLOW_ABOVE_C else "runs"


_WARMTH = {
    "runs": "warm enough to decay",
    "slow": "at a temperature at which decay is slow",
    "stopped": "too cold or too hot to decay now",
}


def _words(found: WoodMoisture, options: AnalysisOptions) -> str:
    value = found.value
    text = f"Timber in this air holds about {value.value:.1f} ± {2 * (value.u or 0):.1f} %MC"
    if found.spot_at is None and found.high - value.value >= 1.0:
        text += f" (up to {found.high:.1f} if it was soaked at the start)"
    if found.equilibrium is not None:
        text += f" and goes towards {found.equilibrium:.1f}"
    if found.above_since is not None:
        text += f"; over {options.wood_decay_pct:g} %MC since {found.above_since:%Y-%m-%d}, {_WARMTH[found.warmth]}"
    return f"{text}."


def wood_finding(here: Track, found: WoodMoisture, options: AnalysisOptions, every_s: float) -> Finding | None:
    """The finding about decay; none while the timber is wet but the place too cold or too hot for decay.

    An alert that is open stays as it is then: the wood is still wet when the warmth comes back.
    """
    wet = found.value.value >= options.wood_decay_pct
    if wet and found.warmth == "stopped":
        return None
    heard = np.isfinite(here.vapour_pressure_pa[-24:])
    hours = (found.at - found.above_since).total_seconds() / HOUR_S if found.above_since is not None else 0.0
    return Finding(
        kind="wood_decay",
        location=here.location.id,
        measured_at=found.at,
        value=found.value.value if heard.sum() >= 6 else None,
        unit="% MC",
        u=found.value.u,
        readings=int(hours) if wet else int(heard.sum()),
        since=found.above_since,
        interval_s=every_s,
        summary=f"{here.location.label}: {found.words}",
        why=WHY["wood_decay"],
        look_first=LOOK_FIRST["wood_decay"],
    )
