"""A raw reading as every store of them has it."""

from __future__ import annotations

from typing import Any, NamedTuple

from monitord.model.readings import Reading
from monitord.store.db.tables import NEVER_MS
from monitord.store.db.times import from_ms, to_ms

Key = tuple[str, int]
"""A probe, and a stamp in milliseconds: each key is kept once."""

MEASURED = (
    "temperature_c",
    "relative_humidity_pct",
    "surface_temperature_c",
    "battery_v",
    "battery_pct",
    "pressure_hpa",
)
"""What a repeat is held against; the gateway and the signal strength are the way's, not the measurement's."""


class RawReading(NamedTuple):
    """A reading, in the order of the columns of the table `reading`."""

    probe: str
    time_ms: int
    temperature_c: float
    relative_humidity_pct: float
    surface_temperature_c: float | None
    battery_v: float | None
    battery_pct: float | None
    pressure_hpa: float | None
    rssi_dbm: float | None
    gateway: str | None
    received_ms: int
    live_ms: int | None
    """None: live when received; else see the table."""

    @property
    def key(self) -> Key:
        """What it is kept under."""
        return self[:2]

    @property
    def measured(self) -> tuple[Any, ...]:
        """The values of `MEASURED`."""
        return self[2:8]

    def replayed(self) -> RawReading:
        """The same, come as a retained message that the broker replays."""
        return self._replace(live_ms=NEVER_MS)

    @property
    def heard_ms(self) -> int:
        """When it came live; after every time while it has not."""
        return self.received_ms if self.live_ms is None else self.live_ms


def raw(reading: Reading) -> RawReading:
    """A reading, live when received, as a store has it."""
    return RawReading(
        reading.probe,
        to_ms(reading.time),
        reading.temperature_c,
        reading.relative_humidity_pct,
        reading.surface_temperature_c,
        reading.battery_v,
        reading.battery_pct,
        reading.pressure_hpa,
        reading.rssi_dbm,
        reading.gateway,
        to_ms(reading.received_at),
        None,
    )


def reading_of(row: RawReading) -> Reading:
    """The reading that a store has, its times to the millisecond."""
    values = dict(zip(RawReading._fields[2:10], row[2:10], strict=True))
    return Reading(probe=row.probe, time=from_ms(row.time_ms), received_at=from_ms(row.received_ms), **values)
