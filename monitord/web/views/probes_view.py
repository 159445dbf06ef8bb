"""Probes that were seen, and payloads that could not be understood, as rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from monitord.model.jobs import JobFile, Placement
from monitord.model.quantity import Quantity
from monitord.model.units import Units, quantity_in
from monitord.store.last_seen import LastSeen
from monitord.store.quarantine import Held
from monitord.web.text.formats import number, plain, size

_PREVIEW = 160


@dataclass(frozen=True)
class ProbeRow:
    """One probe that was seen."""

    probe: str
    last_seen_at: datetime
    values: str
    battery: str
    signal: str
    gateway: str
    job: str | None
    location: str
    """Label of its location; empty where it is not placed."""
    location_id: str
    checked_at: datetime | None
    """Its last calibration or check, as far as its job tells."""


@dataclass(frozen=True)
class ProbeGroup:
    """The probes of one job."""

    job: str
    label: str
    rows: tuple[ProbeRow, ...]
    """The one seen last first."""


@dataclass(frozen=True)
class HeldRow:
    """One payload in quarantine."""

    id: int
    topic: str
    tries: bool
    """It came on a topic, so that rules can be tried on it."""
    code: str
    reason: str
    preview: str
    size: str
    first: datetime
    last: datetime
    times: int


def probe_rows(probes: Iterable[LastSeen], jobs: Iterable[JobFile], units: Units) -> list[ProbeRow]:
    """Probes, the one seen last first."""
    known = list(jobs)
    return [_probe_row(item, known, units) for item in sorted(probes, key=lambda h: h.last_seen_at, reverse=True)]


def by_job(rows: Iterable[ProbeRow], jobs: Iterable[JobFile]) -> list[ProbeGroup]:
    """The rows of each job, by its name, without those of probes that stand nowhere."""
    found: dict[str | None, list[ProbeRow]] = defaultdict(list)
    for row in rows:
        found[row.job].append(row)
    groups = [ProbeGroup(job.job, job.label, tuple(found[job.job])) for job in jobs if job.job in found]
    return sorted(groups, key=lambda group: group.label.lower())


def _probe_row(item: LastSeen, jobs: list[JobFile], units: Units) -> ProbeRow:
    job, placement = placement_of(item, jobs)
    celsius = Quantity(value=item.temperature_c, unit="°C")
    return ProbeRow(
        probe=item.probe,
        last_seen_at=item.last_seen_at,
        values=f"{plain(quantity_in(celsius, units))}, {number(item.relative_humidity_pct, 1)} % RH",
        battery=_battery(item),
        signal=f"{number(item.rssi_dbm, 0)} dBm" if item.rssi_dbm is not None else "—",
        gateway=item.gateway or "—",
        job=job.job if job is not None else None,
        location=job.location(placement.location_id).label if job is not None and placement is not None else "",
        location_id=placement.location_id if placement is not None else "",
        checked_at=job.checked_at(placement, item.last_seen_at) if job is not None and placement is not None else None,
    )


def _battery(item: LastSeen) -> str:
    known = [(item.battery_v, 2, "V"), (item.battery_pct, 0, "%")]
    return ", ".join(f"{number(value, digits)} {unit}" for value, digits, unit in known if value is not None) or "—"


def placement_of(item: LastSeen, jobs: Iterable[JobFile]) -> tuple[JobFile | None, Placement | None]:
    """The job and placement in which a probe was last seen; None for a probe that was placed nowhere then."""
    for job in jobs:
        for placement in job.probes:
            if placement.probe == item.probe and placement.covers(item.last_seen_at):
                return job, placement
    return None, None


def held_rows(held: Iterable[Held]) -> list[HeldRow]:
    """What is in quarantine, the latest first."""
    return [
        HeldRow(
            id=item.id,
            topic=item.topic or "—",
            tries=bool(item.topic),
            code=item.code,
            reason=item.reason,
            preview=preview(item.payload),
            size=size(len(item.payload)),
            first=item.received_at,
            last=item.last_received_at,
            times=item.times,
        )
        for item in held
    ]


def preview(payload: bytes) -> str:
    """The beginning of a payload as text, or as bytes in hexadecimal where it is none."""
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        text = payload[: _PREVIEW // 3].hex(" ")
    if not all(mark.isprintable() or mark.isspace() for mark in text):
        text = payload[: _PREVIEW // 3].hex(" ")
    text = " ".join(text.split())
    return text if len(text) <= _PREVIEW else f"{text[:_PREVIEW]}…"
