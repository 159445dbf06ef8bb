"""A closed job whose readings have all that a reading can have, and what the database holds of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import Column, Table, select

from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readings import Reading
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.store.db.tables import hourly, metadata, reading
from monitord.store.series import rollups
from monitord.store.series.readings import insert_batch

START = datetime(2026, 3, 2, 8, 20, tzinfo=UTC)
END = START + timedelta(hours=30, minutes=15)
NOW = END + timedelta(days=40)
CRITERIA, OPTIONS = built_in(), AnalysisOptions()


def closed_job(name: str = "mill") -> JobFile:
    """A room and a void, over; one probe was moved between them within an hour."""
    moved = (START + timedelta(hours=12, minutes=25)).isoformat()
    start, end = START.isoformat(), END.isoformat()
    return JobFile.model_validate(
        {
            "job": name,
            "start": start,
            "end": end,
            "locations": [{"id": "hall", "kind": "room_air"}, {"id": "void", "kind": "cavity", "reference": "hall"}],
            "probes": [
                {"id": "p1", "location_id": "hall", "from": start, "to": end},
                {"id": "p2", "location_id": "hall", "from": start, "to": moved},
                {"id": "p2", "location_id": "void", "from": moved, "to": end},
            ],
        }
    )


def readings() -> list[Reading]:
    """Every ten minutes of two probes, an hour beyond the job at either side."""
    chance, found = np.random.default_rng(3), []
    for k in range(-6, 6 * 32):
        time = START + timedelta(minutes=10 * k, milliseconds=k % 7)
        for probe in ("p1", "p2"):
            found.append(
                Reading(
                    probe=probe,
                    time=time,
                    temperature_c=round(18.0 + float(chance.normal(0, 0.5)), 2 + k % 2),
                    relative_humidity_pct=float(80.0 + chance.normal(0, 1.0)),
                    surface_temperature_c=11.5 if k % 3 else None,
                    battery_v=2.95 if k % 4 else None,
                    battery_pct=87.5 if k % 5 else None,
                    pressure_hpa=1013.25 if k % 2 else None,
                    rssi_dbm=-71.0 if k % 3 else None,
                    gateway="attic" if k % 6 else None,
                    received_at=time + timedelta(seconds=4 + k % 3),
                )
            )
    return found


def fill(db: Database, name: str = "mill") -> None:
    """The job, its readings (some only seen as a retained replay), and their roll-ups."""
    with db.write() as conn:
        jobs.apply_job(conn, closed_job(name))
        insert_batch(conn, readings(), retained={40, 41})
        rows = readings()
        insert_batch(conn, [rows[40].model_copy(update={"received_at": rows[40].received_at + timedelta(seconds=9)})])
    rollups.renew_all(db, round(NOW.timestamp() * 1000))


def stored(db: Database) -> list[tuple[Any, ...]]:
    """Every raw reading, as it is stored."""
    with db.read() as conn:
        return [tuple(row) for row in conn.execute(select(reading).order_by(reading.c.probe_id, reading.c.time_ms))]


def hours(db: Database) -> list[tuple[Any, ...]]:
    """Every roll-up."""
    with db.read() as conn:
        return [tuple(row) for row in conn.execute(select(hourly).order_by(hourly.c.probe_id, hourly.c.hour))]


def _lasting(table: Table) -> list[Column[Any]]:
    return [column for column in table.c if column.name != "renewals"]


def everything(db: Database) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all tables but those of what is to be done, and without the count of what was done over again."""
    left_out = {"touched_hour", "mark"}
    with db.read() as conn:
        return {
            table.name: sorted((tuple(row) for row in conn.execute(select(*_lasting(table)))), key=repr)
            for table in metadata.sorted_tables
            if table.name not in left_out
        }
