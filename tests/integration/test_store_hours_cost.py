"""Touched hours cost as much each, however many are rolled up as they are read: counted in SQLite's own steps."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitord.model.jobs import Placement
from monitord.model.readings import Reading
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch, load_hourly

START = datetime(2025, 3, 1, tzinfo=UTC)
PLACEMENT = Placement(probe="p1", location_id="void", from_time=START)


def steps_of_loading(hours: int, folder: Path) -> int:
    """Thousands of steps in which so many hours of six readings are rolled up."""
    times = [START + timedelta(minutes=10 * k) for k in range(6 * hours)]
    readings = [
        Reading(probe="p1", time=at, temperature_c=15.0, relative_humidity_pct=75.0, received_at=at) for at in times
    ]
    steps: list[None] = []
    database = Database.open(f"sqlite:///{folder / f'{hours}.db'}")
    with database.write() as conn:
        insert_batch(conn, readings)
        raw = conn.connection.driver_connection
        assert raw is not None
        raw.set_progress_handler(lambda: steps.append(None), 1000)
        found = load_hourly(conn, PLACEMENT, START + timedelta(hours=hours))
        raw.set_progress_handler(None, 0)
    database.close()
    assert len(found) == hours
    return len(steps)


def test_four_times_the_hours_are_some_four_times_the_work(tmp_path: Path) -> None:
    few, many = (steps_of_loading(hours, tmp_path) for hours in (150, 600))
    assert few > 0
    assert many < 6 * few
