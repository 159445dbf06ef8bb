"""Equipment of a job as rows: where each machine stands, since when, and what it took out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitord.analysis.air.water_by_air import WaterByAir, water_by_air
from monitord.model.jobs import JobFile, Location
from monitord.model.site.equipment import Equipment, EquipmentKind
from monitord.model.units import Units, unit_in, value_in
from monitord.web.queries import JobState
from monitord.web.text.formats import counted, number
from monitord.web.text.words import location_label

KINDS = {
    EquipmentKind.DEHUMIDIFIER: "Dehumidifier",
    EquipmentKind.AIR_MOVER: "Air mover",
    EquipmentKind.HEATER: "Heater",
}


@dataclass(frozen=True)
class EquipmentRow:
    """One machine at one location."""

    id: str
    label: str
    kind: str
    where: str
    location: str
    start: datetime
    end: datetime | None
    is_dehumidifier: bool
    water: str
    """What it took out here, and how much a day lately; empty where nothing was recorded."""
    rated: str
    last: datetime | None
    """When it was last emptied or read."""
    by_meter: bool


def equipment_rows(job: JobFile, now: datetime, units: Units = Units.METRIC) -> list[EquipmentRow]:
    """All equipment of a job, what is there now before what has gone, the newest first."""
    ordered = sorted(job.equipment, key=lambda item: item.from_time, reverse=True)
    return [_row(job, item, now, units) for item in sorted(ordered, key=lambda item: item.to_time is not None)]


@dataclass(frozen=True)
class RoomWater:
    """What left a room: in tanks, with the air, and together."""

    where: str
    location: str
    tanks: str
    air: str
    together: str
    """Empty where one of the two is not known, or the air may have brought water in."""


def room_water(state: JobState, coverage: float, units: Units = Units.METRIC) -> list[RoomWater]:
    """The rooms whose volume is known; a room without outdoor air, or without a known last day, is left out."""
    found = []
    advice = {} if state.assessment is None else {one.room: one for one in state.assessment.ventilation}
    for room in state.job.locations:
        by_air = water_by_air(room, advice[room.id], coverage) if room.id in advice else None
        if by_air is not None:
            rates = [
                item.rate_l_per_day(state.now) for item in state.job.equipment_at(room.id) if item.covers(state.now)
            ]
            known = [rate for rate in rates if rate is not None]
            found.append(_room_water(room, by_air, sum(known) if known else None, units))
    return found


def _room_water(room: Location, by_air: WaterByAir, tanks: float | None, units: Units) -> RoomWater:
    low, high = by_air.low_l, by_air.high_l
    if high <= 0.0:
        said = f"brought in {between(-high, -low, units)}"
    elif low < 0.0:
        said = f"between {amount(-low, units)} brought in and {amount(high, units)} carried out"
    else:
        said = f"carried out {between(low, high, units)}"
    n = f"{by_air.low_changes_per_h:g}"
    if by_air.high_changes_per_h > by_air.low_changes_per_h:
        n += f" to {by_air.high_changes_per_h:g}"
    volume = f"{value_in(room.volume_m3 or 0.0, 'm³', units):.3g}\u00a0{unit_in('m³', units)}"
    return RoomWater(
        where=room.label,
        location=room.id,
        tanks="" if tanks is None else f"{amount(tanks, units)} a day between the last two records",
        air=f"{said} in the last day, at {n} air changes an hour of {volume}",
        together="" if tanks is None or low < 0.0 else f"{between(tanks + low, tanks + high, units)} a day",
    )


def between(low: float, high: float, units: Units) -> str:
    """`0.5 to 5.2 L`."""
    unit = unit_in("L", units)
    return f"{number(value_in(low, 'L', units), 1)} to {number(value_in(high, 'L', units), 1)}\u00a0{unit}"


def equipment_said(job: JobFile, now: datetime, units: Units = Units.METRIC) -> str:
    """What stands on site and what was taken out, for a closed sheet."""
    if not job.equipment:
        return "None recorded."
    there = [item for item in job.equipment if item.covers(now)]
    taken = [litres for item in job.equipment if (litres := item.litres(now)) is not None]
    said = [f"{counted(len(there), 'machine')} on site" if there else "none on site now"]
    if taken:
        said.append(f"{amount(sum(taken), units)} of water taken out")
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def amount(litres: float, units: Units, per_day: str = "") -> str:
    """An amount of water, or a rate of it where `per_day` is `/day`."""
    unit = unit_in("L", units)
    return f"{number(value_in(litres, 'L', units), 1)}\u00a0{unit}{' a day' if per_day else ''}"


def _row(job: JobFile, item: Equipment, now: datetime, units: Units) -> EquipmentRow:
    litres, rate = item.litres(now), item.rate_l_per_day(now)
    said = [] if litres is None else [f"{amount(litres, units)} taken out"]
    if rate is not None:
        share = f", {number(100.0 * rate / item.rated_l_per_day, 0)} % of its rating" if item.rated_l_per_day else ""
        said.append(f"{amount(rate, units, '/day')} between the last two records{share}")
    return EquipmentRow(
        id=item.id,
        label=item.label,
        kind=KINDS[item.kind],
        where=location_label(job, item.location_id),
        location=item.location_id,
        start=item.from_time,
        end=item.to_time if item.to_time is not None and item.to_time <= now else None,
        is_dehumidifier=item.kind is EquipmentKind.DEHUMIDIFIER,
        water="; ".join(said),
        rated=amount(item.rated_l_per_day, units, "/day") if item.rated_l_per_day is not None else "",
        last=max((one.at for one in item.water), default=None),
        by_meter=bool(item.water) and item.water[-1].meter_l is not None,
    )
