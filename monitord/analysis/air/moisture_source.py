"""Where a cavity's or void's vapour comes from: the room, the outdoors, the construction itself, or nowhere.

Judged on the mean vapour pressures of the last three days, hour by hour at the same time: a vapour pressure above
both airs can only come from the construction; above the outdoor air only, from the room; above the room only, from
outdoors. A mean over whole days takes out what sun and frost do within one. What it does not take out is in the
uncertainty: the probes' own offsets, which no averaging lessens, and the vapour that timber, brick and insulation
store, by which their air lags the weather for days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.air.parameters import AIR
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.times import WEEK_H
from monitord.model.assessments import MoistureSource, Quantity, SourceKind, SourceReason
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import VOID_KINDS
from monitord.model.series import Array
from monitord.physics.uncertainty import u_vapour_pressure


@dataclass(frozen=True)
class _Excess:
    """Mean vapour pressure of a location above that of an air, whether it is clear, and how far apart they run. [Pa]"""

    quantity: Quantity
    above: bool
    below: bool
    apart: float
    """Root mean square of the hourly differences."""


def source_of(
    series: HourlySeries, room: HourlySeries | None, outdoor: HourlySeries | None, options: AnalysisOptions
) -> MoistureSource | None:
    """Judge where the vapour of a cavity or void comes from, as of its last complete hour; None for other locations.

    The tracks lie on the same hours. A difference counts when larger than `options.coverage` standard uncertainties
    (JCGM 100:2008, 6.2). With one of the airs not measured, what can still be excluded is said, else unknown.
    """
    if series.location.kind not in VOID_KINDS:
        return None
    airs = [air for air in (room, outdoor) if air is not None]
    paired = _paired(series, airs)
    while airs and paired.sum() < AIR.source_min_h:  # leave out the air that was measured least
        airs.remove(min(airs, key=lambda air: int(_paired(series, [air]).sum())))
        paired = _paired(series, airs)
    hours = int(paired.sum()) if airs else 0
    if not airs:
        return MoistureSource(kind=SourceKind.UNKNOWN, reason=SourceReason.TOO_FEW_HOURS, hours=hours)
    over_room = _excess(series, room, paired, options) if room in airs and room is not None else None
    over_outdoors = _excess(series, outdoor, paired, options) if outdoor in airs and outdoor is not None else None
    kind, reason = _verdict(over_room, over_outdoors)
    return MoistureSource(
        kind=kind,
        reason=reason,
        hours=hours,
        over_room=None if over_room is None else over_room.quantity,
        over_outdoors=None if over_outdoors is None else over_outdoors.quantity,
    )


def _paired(series: HourlySeries, airs: list[HourlySeries]) -> NDArray[np.bool_]:
    """Which of the last hours have readings of all."""
    known = np.isfinite(series.vapour_pressure_pa[-AIR.source_span_h :])
    for air in airs:
        known &= np.isfinite(air.vapour_pressure_pa[-AIR.source_span_h :])
    return known


def _offset_u(series: HourlySeries, paired: NDArray[np.bool_]) -> float:
    """Standard uncertainty of a mean vapour pressure from the probe's accuracy as a constant offset. [Pa]"""
    t = series.temperature_c[-AIR.source_span_h :][paired]
    rh = np.clip(series.relative_humidity_pct[-AIR.source_span_h :][paired], 0.0, SERIES.max_rh_pct)
    by_t = u_vapour_pressure(t, rh, series.uncertainty.temperature_k, 0.0)
    by_rh = u_vapour_pressure(t, rh, 0.0, series.uncertainty.relative_humidity_pct)
    return float(np.hypot(by_t.mean(), by_rh.mean()))


def _excess(series: HourlySeries, air: HourlySeries, paired: NDArray[np.bool_], options: AnalysisOptions) -> _Excess:
    difference: Array = (
        series.vapour_pressure_pa[-AIR.source_span_h :] - air.vapour_pressure_pa[-AIR.source_span_h :]
    )[paired]
    share = options.common_offset_share
    independent = max(1.0, len(difference) / AIR.alike_h)
    offset = np.hypot(_offset_u(series, paired), _offset_u(air, paired))
    offset *= np.hypot(share, np.sqrt(1.0 - share**2) / np.sqrt(independent))
    stored = AIR.stored_share * float(np.nanstd(air.vapour_pressure_pa[-WEEK_H:]))
    scatter = float(difference.std()) / np.sqrt(independent)
    mean, u = float(difference.mean()), float(np.sqrt(offset**2 + stored**2 + scatter**2))
    clear = options.coverage * u
    apart = float(np.sqrt(np.mean(difference**2)))
    return _Excess(Quantity(value=mean, u=u, unit="Pa"), mean > clear, mean < -clear, apart)


def _verdict(room: _Excess | None, outdoors: _Excess | None) -> tuple[SourceKind, SourceReason]:
    if room is None or outdoors is None:
        return _one_sided(room, outdoors)
    if room.above and outdoors.above:
        return SourceKind.FROM_CONSTRUCTION, SourceReason.ABOVE_BOTH
    if outdoors.above:
        return SourceKind.FROM_INSIDE, SourceReason.BETWEEN if room.below else SourceReason.AS_ROOM
    if room.above:
        return SourceKind.FROM_OUTSIDE, SourceReason.ABOVE_ROOM
    if room.below and outdoors.below:
        return SourceKind.NO_EXCESS, SourceReason.BELOW_BOTH
    if room.below or outdoors.apart < AIR.follows_share * room.apart:
        return SourceKind.NO_EXCESS, SourceReason.AS_OUTDOORS
    return SourceKind.NO_EXCESS, SourceReason.NOT_ABOVE


def _one_sided(room: _Excess | None, outdoors: _Excess | None) -> tuple[SourceKind, SourceReason]:
    """What can be held with one air only."""
    above = any(excess is not None and excess.above for excess in (room, outdoors))
    if outdoors is None:
        reason = SourceReason.ABOVE_ROOM_ALONE if above else SourceReason.NOT_ABOVE_ROOM_ALONE
    else:
        reason = SourceReason.ABOVE_OUTDOORS_ALONE if above else SourceReason.NOT_ABOVE_OUTDOORS_ALONE
    return (SourceKind.UNKNOWN if above else SourceKind.NO_EXCESS), reason
