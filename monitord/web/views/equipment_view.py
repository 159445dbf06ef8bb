"""Equipment of a job as rows: where each machine stands, since when, and what it took out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitord.model.jobs import JobFile
from monitord.model.site.equipment import Equipment, EquipmentKind
from monitord.model.units import Units, unit_in, value_in
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
