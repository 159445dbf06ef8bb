"""The finding about a room whose air has lost its drying potential (`drying_potential`)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.analysis.wetting.drying_potential import find_lost_potential, taken_out
from monitord.analysis.wetting.events import hour_of
from monitord.analysis.wetting.parameters import WETTING
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.facts import FindingKind, Truth
from monitord.model.series import Flags
from monitord.model.site.equipment import Equipment, EquipmentKind
from monitord.physics.moist_air import saturation_vapour_pressure


def room_more_humid(
    room: HourlySeries, outdoor: HourlySeries | None, as_of_s: float, equipment: Sequence[Equipment] = ()
) -> Finding | None:
    """The finding about a room's drying potential; unknown while the room is not measured.

    `equipment`: what the job says has stood in the room. That a dehumidifier was taken out explains a loss.
    """
    if len(room) < 2 * 24:
        return None
    hours = WETTING.potential_window_h
    room, outdoor = room.last(hours), None if outdoor is None else outdoor.last(hours)
    machines = [item for item in equipment if item.kind is EquipmentKind.DEHUMIDIFIER]
    stands = _stands(room, machines)
    lost = find_lost_potential(room, outdoor, machine=stands)
    measured = bool(np.isfinite(room.vapour_pressure_pa[-WETTING.room_means_h[0] :]).any())
    since = None if lost is None else utc(hour_of(room.hour_s, lost.began))
    facts = Facts()
    if len(stands) and taken_out(stands)[-1]:
        ends = [item.to_time for item in machines if item.to_time is not None and item.to_time.timestamp() <= as_of_s]
        facts = Facts(dehumidifier_out_at=max(ends, default=None))
    if lost is not None:
        facts = Facts(value=_deficit(room, lost.now_pa), before=_deficit(room, lost.before_pa), since=since)
    return Finding(
        kind=FindingKind.DRIVE_LOST,
        location=room.location.id,
        measured_at=utc(as_of_s),
        truth=Truth.of(lost is not None) if measured else Truth.UNKNOWN,
        readings=int(np.isfinite(room.vapour_pressure_pa[-24:]).sum()),
        since=since,
        facts=facts,
    )


def _stands(room: HourlySeries, machines: Sequence[Equipment]) -> Flags:
    """Hours of a room in which one of some machines stands there, (n,)."""
    stands = np.zeros(len(room), dtype=bool)
    for item in machines:
        to_s = np.inf if item.to_time is None else item.to_time.timestamp()
        stands |= (room.hour_s >= item.from_time.timestamp()) & (room.hour_s < to_s)
    return stands


def less_potential(room: HourlySeries, outdoor: HourlySeries | None) -> bool:
    """Whether a room's drying potential is lost by the limits of a dried room: a stall there may rest on it."""
    hours = WETTING.potential_window_h
    outdoor = None if outdoor is None else outdoor.last(hours)
    return find_lost_potential(room.last(hours), outdoor, whoever_dries=True) is not None


def _deficit(room: HourlySeries, value_pa: float) -> Quantity:
    """A vapour-pressure deficit with what the probe's humidity brings into it. [Pa]"""
    known = room.temperature_c[np.isfinite(room.temperature_c)]
    u = room.uncertainty.relative_humidity_pct / 100.0 * float(saturation_vapour_pressure(float(known[-1])))
    return Quantity(value=value_pa, u=u, unit="Pa")
