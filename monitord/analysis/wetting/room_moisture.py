"""Has the drying drive been lost? The room's air leaves the band that the machines had held it in.

Judged on the room's vapour pressure, which a dehumidifier holds down and a change of temperature alone hardly moves,
against the same hours of the days before, less what the outdoor air brought (`air_change`).
"""

from __future__ import annotations

from functools import partial

import numpy as np

from monitord.analysis.air.air_change import explained_rise
from monitord.analysis.series.events import hour_of, newest_event
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import trailing_mean
from monitord.analysis.series.times import utc
from monitord.analysis.wetting.rewetting import WINDOW_H, rises, usual_rise
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind, Truth
from monitord.model.series import Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure

_SPANS = ((3, 1.25), (6, 1.0))
"""Hours whose mean is taken, and the share of the limit that it must pass: a kettle or a shower is over sooner, a
great rise need not be waited for."""


def _as_rh(vapour_pressure_pa: Array, temperature_c: Array) -> Array:
    """Vapour pressure as humidity at the smoothed room temperature. [%]"""
    t = trailing_mean(temperature_c, 48, 0.3)
    out = np.full(len(t), np.nan)
    known = np.isfinite(t) & np.isfinite(vapour_pressure_pa)
    out[known] = 100.0 * vapour_pressure_pa[known] / saturation_vapour_pressure(t[known])
    return out


def hits_of(room: HourlySeries, outdoor: HourlySeries | None, options: AnalysisOptions) -> Flags:
    """Hours at which the room's vapour pressure has left its band upwards, (n,) of bool."""
    level = _as_rh(room.vapour_pressure_pa, room.temperature_c)
    outside = None if outdoor is None else _as_rh(outdoor.vapour_pressure_pa, room.temperature_c)
    left = np.zeros(len(level), dtype=bool)
    for mean_h, share in _SPANS:
        rise, humidity = rises(level, mean_h=mean_h), rises(room.relative_humidity_pct, mean_h=mean_h)
        with np.errstate(invalid="ignore"):
            if not (np.minimum(rise, humidity) > share * options.drive_lost_pct).any():
                continue  # the weather and what is usual only take from that
        change = partial(rises, mean_h=mean_h)
        brought = np.zeros_like(rise) if outside is None else explained_rise(level, outside, change)
        _, usual = usual_rise(rise - brought)
        limit = options.drive_lost_pct + 2.0 * np.where(np.isfinite(usual), usual, 0.5 * options.drive_lost_pct)
        own = rise - np.maximum(brought, 0.0)  # a fall outdoors makes no rise of a room that did not follow it
        with np.errstate(invalid="ignore"):  # a room that is heated up gives vapour off and dries all the same
            left |= (np.minimum(own, humidity) > share * limit).any(axis=0)
    return left


def drive_lost(
    room: HourlySeries, outdoor: HourlySeries | None, as_of_s: float, options: AnalysisOptions
) -> Finding | None:
    """The finding about a room's drying drive; unknown while the room is not heard."""
    if len(room) < 48:
        return None
    room = room.last(WINDOW_H)
    level = _as_rh(room.vapour_pressure_pa, room.temperature_c)
    hits = hits_of(room, None if outdoor is None else outdoor.last(WINDOW_H), options)
    event = newest_event(
        hits, level, apart_h=48, back_share=0.5, hold_h=14 * 24, min_fall=1e9, min_rise=0.7 * options.drive_lost_pct
    )
    heard = bool(np.isfinite(level[-3:]).any())
    active = event is not None and event.active
    since = utc(hour_of(room.hour_s, event.began)) if active and event is not None else None
    facts = Facts()
    if event is not None and since is not None:
        facts = Facts(value=_pressure(room, event.now), before=_pressure(room, event.base), since=since)
    return Finding(
        kind=FindingKind.DRIVE_LOST,
        location=room.location.id,
        measured_at=utc(as_of_s),
        truth=Truth.of(active) if heard else Truth.UNKNOWN,
        readings=int(np.isfinite(level[-24:]).sum()),
        since=since,
        facts=facts,
    )


def _pressure(room: HourlySeries, humidity_pct: float) -> Quantity:
    """The vapour pressure that a humidity at the room's smoothed temperature stands for, with the probe's part. [Pa]"""
    t = trailing_mean(room.temperature_c, 48, 0.3)
    saturation = float(saturation_vapour_pressure(float(t[np.isfinite(t)][-1])))
    u = room.uncertainty.relative_humidity_pct
    return Quantity(value=humidity_pct * saturation / 100.0, u=u * saturation / 100.0, unit="Pa")
