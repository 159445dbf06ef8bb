"""Lost drying potential of a room's air: what a damp surface could give off to it, and whether that has been lost.

Potential: 0.9 of saturation less the vapour pressure [Pa]; evaporation goes with it (Dalton 1802). The change of the
room's vapour since the same hours of yesterday is explained by how far yesterday lay off the usual, how the room
warmed and how the outdoor air changed; what is left is tested as in `innovations`. Lost is lost until the potential is
back: that the new level has become usual closes nothing.

A room that is dried (it held less vapour than outdoors, or the job names a dehumidifier in it) has a potential to
lose. In one that is not, people lift the vapour for days, so there the rise must stand out farther, or the room must
have become colder. Where the job says that the dehumidifier was taken out, the loss is no news: none is found until
the usual is that of the time since.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import lagged, trailing_mean
from monitord.analysis.wetting.innovations import (
    Prior,
    Regression,
    exponential_mean,
    innovations,
    standard_score,
)
from monitord.analysis.wetting.parameters import WETTING, WettingParameters
from monitord.model.series import Array, Flags
from monitord.physics.moist_air import saturation_vapour_pressure


@dataclass(frozen=True)
class LostPotential:
    """A drying potential that was lost and is not back."""

    began: int
    """Index of the hour at which it was found."""
    before_pa: float
    """What it was: mean of the five days before. [Pa]"""
    now_pa: float
    """Mean of the last known hours. [Pa]"""


@dataclass(frozen=True)
class _Room:
    """Series of a room, each (n,)."""

    vapour: Array
    """[Pa]"""
    saturation: Array
    """[Pa]"""
    potential: Array
    """[Pa]"""
    outdoor: Array | None
    """Vapour pressure outdoors. [Pa]"""
    humidity: Array
    """[% RH]"""


def _regression(p: WettingParameters) -> Regression:
    return Regression(p.room_gap_h, p.room_record_h, p.room_correlation_h, p.room_correlation_h, p.room_sd_share)


def _room(room: HourlySeries, outdoor: HourlySeries | None, parameters: WettingParameters) -> _Room:
    saturation = np.full(len(room), np.nan)
    known = np.isfinite(room.temperature_c)
    saturation[known] = saturation_vapour_pressure(room.temperature_c[known])
    vapour = room.vapour_pressure_pa
    measured = outdoor is not None and bool(np.isfinite(outdoor.vapour_pressure_pa).any())
    return _Room(
        vapour,
        saturation,
        parameters.wet_surface * saturation - vapour,
        outdoor.vapour_pressure_pa if outdoor is not None and measured else None,
        room.relative_humidity_pct,
    )


def find_lost_potential(
    room: HourlySeries,
    outdoor: HourlySeries | None,
    parameters: WettingParameters = WETTING,
    whoever_dries: bool = False,
    machine: Flags | None = None,
) -> LostPotential | None:
    """The loss of drying potential that stands at the end of the series; None if there is none.

    `whoever_dries`: by the limits of a room that is dried, whether or not this one is. `machine`: hours at which a
    dehumidifier stands in the room, (n,).
    """
    known = _room(room, outdoor, parameters)
    stands = np.zeros(len(room), dtype=bool) if machine is None else machine
    gone = taken_out(stands, parameters)
    opens = _opens(known, parameters, whoever_dries, stands) & ~gone
    usual = _usual(known.potential, parameters)
    level = known.potential
    at = 0
    while True:
        later = np.flatnonzero(opens[at:])
        if not len(later):
            return None
        began = at + int(later[0])
        before = float(usual[began])
        with np.errstate(invalid="ignore"):
            back = _held(level >= parameters.potential_back * before, np.isfinite(level), parameters.potential_back_h)
        closed = np.flatnonzero((back | gone)[began + 1 :])
        if not len(closed):
            lately = level[began:]
            lately = lately[np.isfinite(lately)][-WETTING.level_mean_h :]
            return LostPotential(began, before, float(lately.mean()))
        at = began + 1 + int(closed[0])


def taken_out(machine: Flags, parameters: WettingParameters = WETTING) -> Flags:
    """Hours without a dehumidifier whose usual potential is still that of a time with one, (n,).

    The usual and its gap, and the three days that air and materials take to come to another level.
    """
    hours = parameters.potential_usual_h + parameters.potential_usual_gap_h + parameters.room_dried_mean_h
    return ~machine & _lately(machine, hours)


def _held(where: Flags, known: Flags, hours: int) -> Flags:
    """Hours at which a condition has held in each known hour of the last `hours`, most of which are known."""
    against = np.convolve((known & ~where).astype(float), np.ones(hours), "full")[: len(where)]
    known_h = np.convolve(known.astype(float), np.ones(hours), "full")[: len(where)]
    return np.asarray((np.rint(against) == 0) & (known_h >= WETTING.potential_known_share * hours))


def _usual(value: Array, parameters: WettingParameters) -> Array:
    return lagged(
        trailing_mean(value, parameters.potential_usual_h, WETTING.min_level_share), parameters.potential_usual_gap_h
    )


def _opens(room: _Room, parameters: WettingParameters, whoever_dries: bool, machine: Flags) -> Flags:
    """Hours at which the potential is lost beyond what the balance explains, (n,)."""
    potential, usual = trailing_mean(room.potential, WETTING.room_level_h), _usual(room.potential, parameters)
    usual_humidity = trailing_mean(room.humidity, parameters.potential_usual_h, WETTING.min_level_share)
    known = np.isfinite(potential)
    with np.errstate(invalid="ignore"):
        least = np.maximum(
            parameters.potential_loss * usual, parameters.potential_min_loss_pct / 100.0 * room.saturation
        )
        less = _held(usual - potential > least, known, parameters.potential_hold_h)
        damp = less & (trailing_mean(room.humidity, WETTING.room_level_h) > usual_humidity)
        cold = less & (
            trailing_mean(room.potential, parameters.potential_hold_h, WETTING.potential_known_share)
            < parameters.potential_cold_share * _lowest(room.potential, parameters)
        )
        colder = trailing_mean(
            room.saturation, parameters.potential_hold_h, WETTING.potential_known_share
        ) < parameters.potential_colder_share * _lowest(room.saturation, parameters)
    dried = np.ones_like(less) if whoever_dries else machine | _dried(room, parameters)
    out = cold & (dried | colder)
    if damp.any():
        score = _score(room, _within(damp, parameters), parameters)
        sure, hit = (
            _lately(score > k, parameters.potential_stands_h) for k in (parameters.room_k_not_dried, parameters.room_k)
        )
        out |= damp & (sure | (dried & hit))
    return np.asarray(out)


def _dried(room: _Room, parameters: WettingParameters) -> Flags:
    """Hours in whose last five days the room held less vapour than the outdoor air for three: something dries it, (n,).

    People, cooking and washing only ever add vapour: where nothing dries the air, a loss is mostly theirs.
    """
    if room.outdoor is None:
        return np.zeros(len(room.vapour), dtype=bool)
    less = trailing_mean(100.0 * (room.outdoor - room.vapour) / room.saturation, parameters.room_dried_mean_h)
    with np.errstate(invalid="ignore"):
        return _lately(less > parameters.room_dried_pct, parameters.potential_usual_h)


def _lowest(value: Array, parameters: WettingParameters) -> Array:
    """Lowest half-day mean of the usual days, (n,); minus infinity before five days are known."""
    low = trailing_mean(value, parameters.potential_low_mean_h)
    back = parameters.potential_usual_h + parameters.potential_usual_gap_h
    padded = np.concatenate([np.full(back, np.inf), np.where(np.isfinite(low), low, np.inf)])
    lowest = np.lib.stride_tricks.sliding_window_view(padded, parameters.potential_usual_h).min(axis=1)[: len(low)]
    known_at = np.flatnonzero(np.isfinite(value))
    early = np.arange(len(low)) < (known_at[0] + parameters.potential_usual_h if len(known_at) else len(low))
    return np.where(np.isfinite(lowest) & ~early, lowest, -np.inf)


def _lately(where: Flags, hours: int) -> Flags:
    """Hours within whose last `hours` a condition held."""
    return np.asarray(np.convolve(where.astype(float), np.ones(hours), "full")[: len(where)].round() > 0)


def _within(where: Flags, parameters: WettingParameters) -> Flags:
    """Hours whose hit could still stand at one of the hours given."""
    return np.asarray(_lately(where[::-1], parameters.potential_stands_h)[::-1])


def _score(room: _Room, asked: Flags, parameters: WettingParameters) -> Array:
    """Standard errors by which the hours asked have more vapour than yesterday's, warmth and outdoor air explain, (n,).

    0 where not asked, or where the rise is not one.
    """
    n, r, lag = len(room.vapour), _regression(parameters), parameters.room_lag_h
    first = max(0, int(np.flatnonzero(asked)[0]) - r.record_h - r.gap_h)
    usual = trailing_mean(room.vapour, parameters.potential_usual_h, WETTING.min_level_share)
    shares = (
        [exponential_mean(room.outdoor, tau) for tau in parameters.room_outdoor_lags_h]
        if room.outdoor is not None
        else []
    )
    priors = np.array(
        [parameters.room_vapour_prior, parameters.room_saturation_prior, *[parameters.room_outdoor_prior] * len(shares)]
    )
    prior, noise, out = (
        Prior(priors[:, 0], priors[:, 1]),
        parameters.room_noise_pct / 100.0 * room.saturation,
        np.zeros(n),
    )
    for span in parameters.room_means_h:
        level, saturation = trailing_mean(room.vapour, span), trailing_mean(room.saturation, span)
        change = level - lagged(level, lag)
        columns = [
            lagged(level - usual, lag),
            saturation - lagged(saturation, lag),
            *(s - lagged(s, lag) for s in shares),
        ]
        fit = innovations(change, np.column_stack(columns), prior, noise, first, r)
        residual, leverage = 100.0 * fit.value / room.saturation, 100.0 * fit.leverage_u / room.saturation
        with np.errstate(invalid="ignore"):
            least = np.minimum(residual, 100.0 * change / room.saturation) >= parameters.room_rise_pct
            at = np.flatnonzero(asked & least)
            if len(at):
                out[at] = np.fmax(out[at], standard_score(residual, leverage, at, r))
    return out
