"""The room and the slab as they will be used, for some time before the reading counts."""

from __future__ import annotations

import numpy as np

from monitord.analysis.readiness.element import Element, result
from monitord.analysis.readiness.parameters import READINESS
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria import ServiceRule
from monitord.model.readiness.slabs import ServiceConditions
from monitord.model.readiness.verdict import Criterion, CriterionResult, Outcome, PositionValue, Reason
from monitord.model.series import HOUR_S, Flags


def evaluate(element: Element, rule: ServiceRule) -> CriterionResult:
    """The room's air, and the temperature at each position, inside the band of use for long enough."""
    stated = None if element.slab is None else element.slab.service
    band = stated or rule.otherwise
    if band is None:
        return result(Criterion.SERVICE, rule, [_unknown(element, element.id, Reason.SERVICE_UNSTATED, rule)])
    if element.room is None:
        return result(Criterion.SERVICE, rule, [_unknown(element, element.id, Reason.ROOM_UNKNOWN, rule)])
    values = [_held_in(element, rule, element.room, _air_inside(element.room, band))]
    values += [_held_in(element, rule, p.series, _warm_inside(p.series, band)) for p in element.positions]
    return result(Criterion.SERVICE, rule, values)


def _unknown(element: Element, where: str, reason: Reason, rule: ServiceRule) -> PositionValue:
    return PositionValue(location=where, outcome=Outcome.CANNOT_SAY, reason=reason, earliest=element.after(rule.hours))


def _warm_inside(series: HourlySeries, band: ServiceConditions) -> Flags:
    with np.errstate(invalid="ignore"):
        t = series.temperature_c
        return np.asarray((t >= band.temperature_min_c) & (t <= band.temperature_max_c))


def _air_inside(series: HourlySeries, band: ServiceConditions) -> Flags:
    with np.errstate(invalid="ignore"):
        rh = series.relative_humidity_pct
        return np.asarray(_warm_inside(series, band) & (rh >= band.humidity_min_pct) & (rh <= band.humidity_max_pct))


def _held_in(element: Element, rule: ServiceRule, series: HourlySeries, inside: Flags) -> PositionValue:
    """How long a series has been inside, counted back from now."""
    where = series.location.id
    known = np.flatnonzero(np.isfinite(series.temperature_c))
    if not len(known) or element.hour_s - (series.hour_s[known[-1]] + HOUR_S) > READINESS.silent_after_h * HOUR_S:
        return _unknown(element, where, Reason.ROOM_UNKNOWN, rule)
    newest, since = int(known[-1]), _since(series, inside, known)
    limit = Quantity(value=rule.hours, unit="h")
    if since is None:
        return PositionValue(
            location=where,
            outcome=Outcome.FAIL,
            reason=Reason.OUT_OF_SERVICE,
            measured=Quantity(value=float(series.temperature_c[newest]), unit="°C"),
            limit=limit,
            at=utc(float(series.hour_s[newest])),
            earliest=element.after(rule.hours),
        )
    return element.held_for(where, since, rule.hours, Reason.SERVICE_RUNS)


def _since(series: HourlySeries, inside: Flags, known: np.ndarray[tuple[int], np.dtype[np.intp]]) -> float | None:
    """Start of the run of hours inside that reaches the newest known hour; None: that one is outside. [s]"""
    if not inside[known[-1]]:
        return None
    first = known[-1]
    for hour in known[-2::-1]:
        if not inside[hour] or first - hour > READINESS.bridged_gap_h + 1:
            break
        first = hour
    return float(series.hour_s[first])
