"""The live store and the replay's recorder know the same at the same time, so that both reach the same verdict."""

from __future__ import annotations

import dataclasses
import random
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.readings import Reading
from monitord.model.series import PlacementRecord
from monitord.replay.recorder import Recorder
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch, load_job_record

T0 = datetime(2025, 3, 1, tzinfo=UTC)
DAYS = 8
MINUTE = timedelta(minutes=1)
JOB = JobFile(
    job="J1",
    start=T0,
    locations=tuple(Location(id=name, kind=LocationKind.CAVITY) for name in ("a", "b", "c")),
    probes=(
        Placement(probe="steady", location_id="a", from_time=T0),
        Placement(probe="moved", location_id="b", from_time=T0 + 73 * MINUTE, to_time=T0 + 5777 * MINUTE),
        Placement(probe="moved", location_id="c", from_time=T0 + 5791 * MINUTE),
    ),
)


def arrivals(seed: int) -> list[Reading]:
    """Ten-minute readings in order of arrival: some late by hours or days, and the backlog of a day's outage."""
    chance = random.Random(seed)
    readings = []
    for probe in ("steady", "moved"):
        for k in range(144 * DAYS):
            time = T0 + 10 * k * MINUTE
            delay_s = chance.choice([4] * 20 + [4000, 90_000, 200_000])
            if k // 144 == 5:
                delay_s = max(delay_s, (144 - k % 144) * 600 + 7 + k % 144)
            readings.append(
                Reading(
                    probe=probe,
                    time=time,
                    temperature_c=round(chance.gauss(10, 2), 2),
                    relative_humidity_pct=round(chance.gauss(75, 4), 1),
                    surface_temperature_c=chance.choice([None, 8.5]),
                    battery_v=3.0,
                    received_at=time + timedelta(seconds=delay_s),
                )
            )
    return sorted(readings, key=lambda r: r.received_at)


def row(reading: Reading) -> tuple[float, float, float, float, float, float]:
    surface = np.nan if reading.surface_temperature_c is None else reading.surface_temperature_c
    return (
        reading.time.timestamp(),
        reading.temperature_c,
        reading.relative_humidity_pct,
        surface,
        3.0,
        reading.received_at.timestamp(),
    )


def assert_same(live: PlacementRecord, replayed: PlacementRecord, when: str) -> None:
    assert live.last_seen_s == replayed.last_seen_s, when
    for part in ("recent", "hourly"):
        for field in dataclasses.fields(getattr(live, part)):
            one, other = (getattr(getattr(record, part), field.name) for record in (live, replayed))
            np.testing.assert_array_equal(one, other, err_msg=f"{when}: {part}.{field.name}")


@pytest.mark.parametrize("landed", ["as time went on", "all before the first look"])
def test_store_and_recorder_give_the_same_record_at_every_time(landed: str) -> None:
    """Looking back gives what was known then, whatever has landed since."""
    database, recorder = Database.open("sqlite://"), Recorder(JOB)
    coming = arrivals(seed=7)
    with database.write() as conn:
        jobs.apply_job(conn, JOB)
        if landed == "all before the first look":
            insert_batch(conn, coming)
    for hour in range(1, 24 * (DAYS + 3), 7):
        as_of = T0 + timedelta(hours=hour, minutes=13, seconds=30)
        came = [r for r in coming if r.received_at <= as_of]
        coming = coming[len(came) :]
        for reading in came:
            recorder.add(reading.probe, row(reading))
        with database.write() as conn:
            if landed == "as time went on":
                insert_batch(conn, came)
            record = load_job_record(conn, JOB, as_of)
        for live, replayed in zip(record.placements, recorder.record(as_of.timestamp()).placements, strict=True):
            assert_same(live, replayed, f"{live.placement.probe} as of {as_of}")
    assert coming == []
    database.close()
