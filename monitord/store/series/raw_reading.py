"""A raw reading as every store of them has it."""

from __future__ import annotations

from typing import Any, NamedTuple

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

    @property
    def heard_ms(self) -> int:
        """When it came live; after every time while it has not."""
        return self.received_ms if self.live_ms is None else self.live_ms
