"""The table `reading` as raw readings, with names for its numbers."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Select, select

from monitord.store.db.tables import arrival_ms, gateway_name, probe_name, reading
from monitord.store.series.raw_reading import RawReading

RAW_ROWS: Select[Any] = (
    select(
        probe_name.c.name,
        reading.c.time_ms,
        *(reading.c[name] for name in RawReading._fields[2:9]),
        gateway_name.c.name,
        arrival_ms,
        reading.c.live_ms,
    )
    .join_from(reading, probe_name, probe_name.c.id == reading.c.probe_id)
    .outerjoin(gateway_name, gateway_name.c.id == reading.c.gateway_id)
)
"""Columns in the order of `RawReading`."""
