"""Raw readings as CSV with units in the header, and a hash chain over its rows.

Link 0 is the SHA-256 of the header line; each further link that of the link before it and the row, both as text. A row
that is changed, left out or put in moves every link after it.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np

from monitord.model.jobs import JobFile, Placement
from monitord.model.series import HOUR_S, LATE_S, Hourly, JobRecord, PlacementRecord, Series, roll_up_by

HEADER = (
    "received [UTC],time [UTC],probe,location,temperature [degC],relative humidity [%],surface temperature [degC],"
    "battery [V]"
)
CHAIN_HEADER = "row,link"
CHAIN_EVERY = 1000
"""Every so many rows a link is written down, so that a change can be found."""


class Row(NamedTuple):
    """One raw reading of a placement; a value that was not measured is NaN. Times in POSIX milliseconds."""

    received_ms: int
    time_ms: int
    probe: str
    location: str
    temperature_c: float
    relative_humidity_pct: float
    surface_temperature_c: float
    battery_v: float


def rows_of(placement: Placement, series: Series) -> list[Row]:
    """The rows of a placement."""
    columns = (series.temperature_c, series.relative_humidity_pct, series.surface_temperature_c, series.battery_v)
    times = (np.rint(1000.0 * s).astype(np.int64).tolist() for s in (series.received_s, series.time_s))
    return [
        Row(received, time, placement.probe, placement.location_id, *values)
        for received, time, *values in zip(*times, *(c.tolist() for c in columns), strict=True)
    ]


def readings_text(rows: Iterable[Row]) -> str:
    """The file's text, rows in order of arrival."""
    lines = [_line(row) for row in sorted(rows, key=lambda row: row[:3])]
    return "\n".join([HEADER, *lines]) + "\n"


def _line(row: Row) -> str:
    values = ("" if math.isnan(v) else repr(float(v)) for v in row[4:])
    return ",".join((iso_ms(row.received_ms), iso_ms(row.time_ms), row.probe, row.location, *values))


def iso_ms(ms: int) -> str:
    """A time in POSIX milliseconds as ISO 8601 UTC, to the millisecond."""
    whole, part = divmod(ms, 1000)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{part:03d}Z"


def ms_of(text: str) -> int:
    """A time of a pack in POSIX milliseconds."""
    moment = datetime.fromisoformat(text)
    return round(moment.replace(microsecond=0).timestamp()) * 1000 + moment.microsecond // 1000


def chain_of(text: str) -> tuple[str, str]:
    """The chain's own file, and its last link."""
    header, *lines = text.rstrip("\n").split("\n")
    link = hashlib.sha256(header.encode()).hexdigest()
    kept = [CHAIN_HEADER, f"0,{link}"]
    for number, line in enumerate(lines, start=1):
        link = hashlib.sha256(f"{link}{line}".encode()).hexdigest()
        if number % CHAIN_EVERY == 0:
            kept.append(f"{number},{link}")
    return "\n".join(kept) + "\n", link


def record_from(text: str, job: JobFile, as_of: datetime, recent_h: float = 72.0) -> JobRecord:
    """What was known of the job as of a time, from the file alone: the input of an assessment."""
    found: dict[tuple[str, str], list[list[float]]] = {}
    for line in text.rstrip("\n").split("\n")[1:]:
        received, time, probe, location, *values = line.split(",")
        numbers = [float(v) if v else math.nan for v in values]
        found.setdefault((probe, location), []).append([ms_of(time) / 1000.0, *numbers, ms_of(received) / 1000.0])
    return JobRecord(tuple(_placement_record(found, p, as_of.timestamp(), recent_h) for p in job.probes))


def _placement_record(
    found: dict[tuple[str, str], list[list[float]]], placement: Placement, as_of_s: float, recent_h: float
) -> PlacementRecord:
    rows = np.array(found.get((placement.probe, placement.location_id), [])).reshape(-1, 6)
    end_s = np.inf if placement.to_time is None else placement.to_time.timestamp()
    inside = (rows[:, 0] >= placement.from_time.timestamp()) & (rows[:, 0] < end_s) & (rows[:, 5] <= as_of_s)
    rows = rows[inside]
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    series = Series(*rows.T)
    since = as_of_s - recent_h * HOUR_S
    late = (series.received_s >= since) & (series.received_s - series.time_s > LATE_S)
    hourly = roll_up_by(np.floor(series.time_s / HOUR_S) * HOUR_S, series)
    over = int(np.searchsorted(hourly.hour_s, as_of_s - HOUR_S, side="right"))
    hourly = Hourly(*(getattr(hourly, name)[:over] for name in Hourly.__dataclass_fields__))
    seen_s = np.minimum(series.time_s, series.received_s)
    return PlacementRecord(
        placement, series.at((series.time_s >= since) | late), hourly, float(seen_s.max()) if len(seen_s) else None
    )
