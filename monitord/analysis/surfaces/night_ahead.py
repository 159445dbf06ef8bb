"""The night ahead: how near a cold surface is likely to come to the dew point in the hours to come."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.air.outdoor_forecast import (
    Change,
    OutdoorForecast,
    change_by_outdoor_forecast,
    recent_factor,
)
from monitord.analysis.series.daily_cycle import Continuation, continue_series
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import median
from monitord.analysis.series.times import utc
from monitord.analysis.surfaces.cold_surface import ColdSurface, averaging_h
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import NightAhead
from monitord.model.facts import FindingKind
from monitord.model.series import HOUR_S, Array
from monitord.physics.uncertainty import combine, probability_below


class Evening(NamedTuple):
    """A cold surface in the hours up to now, with the tracks of its location and of the airs beside it.

    All on the same hours; the airs matter with an outdoor forecast only.
    """

    series: HourlySeries
    surface: ColdSurface
    room: HourlySeries | None
    outdoor: HourlySeries | None


def nights_ahead(
    evenings: Sequence[Evening], options: AnalysisOptions, forecast: OutdoorForecast | None = None
) -> list[NightAhead | None]:
    """Forecast the margin of each cold surface from the end of its track on; None where too little is known.

    All surfaces are continued at once, for a call costs more than its numbers.
    """
    if not evenings:
        return []
    margins = np.stack([one.surface.margin_k[-SURFACES.night_history_h :] for one in evenings])
    changes = [_change(*one, forecast, options) for one in evenings]
    moved = [None if change is None else (change.coming, change.past) for change in changes]
    hours, days = options.night_hours, options.night_cycle_days
    # once a surface condenses, what falls out of the air and its heat hold the margin near zero
    found = continue_series(margins, hours, days, options.night_min_u_k, moved, held_under=0.0)
    return [
        None if continued is None else _night(one, continued, change, options)
        for one, continued, change in zip(evenings, found, changes, strict=True)
    ]


def _night(one: Evening, found: Continuation, change: Change | None, options: AnalysisOptions) -> NightAhead:
    measured = one.surface.u_margin_k[-24:]
    measured = measured[np.isfinite(measured)]
    u_known = median(measured) if len(measured) else options.surface_u_k
    u_known = float(np.hypot(u_known, change.u)) if change is not None else u_known
    history_h = min(len(one.series), SURFACES.night_history_h)
    known_days = min(options.night_cycle_days, history_h // 24)
    return _ahead(found, u_known, one.series.end_s, known_days, change is not None, options)


def _change(
    series: HourlySeries,
    surface: ColdSurface,
    room: HourlySeries | None,
    outdoor: HourlySeries | None,
    forecast: OutdoorForecast | None,
    options: AnalysisOptions,
) -> Change | None:
    if forecast is None or room is None or outdoor is None:
        return None
    factor = series.location.f_rsi
    if factor is None or surface.by_contact[-1]:
        shown = recent_factor(surface.temperature_c, room, outdoor)
        factor = shown if shown is not None else factor
    return change_by_outdoor_forecast(
        series.last(SURFACES.night_history_h),
        outdoor.last(SURFACES.night_history_h),
        factor,
        averaging_h(series.location, options),
        forecast,
        options.night_hours,
        options.night_cycle_days,
    )


def _ahead(
    found: Continuation,
    u_known: float,
    from_s: float,
    cycle_days: int,
    by_outdoor_forecast: bool,
    options: AnalysisOptions,
) -> NightAhead:
    u_lowest = float(np.hypot(found.u_lowest, u_known))
    probability = float(probability_below(found.lowest, u_lowest, 0.0))
    u = np.asarray(combine(found.u, u_known))
    shifted = found.value + (found.lowest - float(found.value.min()))
    wet = (
        np.flatnonzero(shifted <= 0.0) if probability >= options.condensation_probability_act else np.empty(0, np.intp)
    )
    begins, ends = (int(wet[0]), _end_of_run(wet)) if len(wet) else (None, None)
    low_at = int(found.value.argmin())
    deepest = Quantity(value=found.lowest, u=u_lowest, unit="K")
    perhaps = np.flatnonzero(probability_below(shifted, u, 0.0) >= SURFACES.perhaps_probability)
    earliest = int(perhaps[0]) if begins is not None and len(perhaps) and perhaps[0] < begins else None
    times = [None if i is None else utc(from_s + HOUR_S * i) for i in (begins, ends, earliest, low_at)]
    return NightAhead(
        made_at=utc(from_s),
        margin_k=_rounded(shifted),
        u_k=_rounded(u),
        deepest=deepest,
        deepest_at=utc(from_s + HOUR_S * low_at),
        probability=probability,
        expected_from=times[0],
        expected_to=times[1] if ends is not None and ends < options.night_hours else None,
        possibly_from=times[2],
        hours=options.night_hours,
        cycle_days=cycle_days,
        by_outdoor_forecast=by_outdoor_forecast,
    )


def _rounded(values: Array) -> tuple[float, ...]:
    return tuple(np.round(values, 2).tolist())


def _end_of_run(wet: NDArray[np.intp]) -> int:
    """The hour after the first unbroken run of hours."""
    breaks = np.flatnonzero(np.diff(wet) > 1)
    return int(wet[breaks[0]] if len(breaks) else wet[-1]) + 1


def expected_finding(series: HourlySeries, ahead: NightAhead | None, hour_s: float, every_s: float) -> Finding:
    """The finding about the night ahead of a location with a cold surface; unknown where there is no forecast."""
    value = None if ahead is None else ahead.probability
    return Finding(
        kind=FindingKind.CONDENSATION_EXPECTED,
        location=series.location.id,
        measured_at=utc(hour_s),
        value=value,
        unit="probability",
        readings=int(np.isfinite(series.vapour_pressure_pa[-24:]).sum()),
        interval_s=every_s,
        facts=Facts() if ahead is None else _facts(ahead),
    )


def _facts(ahead: NightAhead) -> Facts:
    return Facts(
        value=ahead.deepest,
        margin=ahead.deepest,
        chance=ahead.probability,
        at=ahead.deepest_at,
        start=ahead.expected_from,
        until=ahead.expected_to,
        possibly_from=ahead.possibly_from,
    )
