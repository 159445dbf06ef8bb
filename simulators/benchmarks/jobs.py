"""Jobs with a history in a store, for the parts that assess or show them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch
from simulators.benchmarks.replay import DAY_S, START_S, air, job_of

INTERVAL_S = 600.0
_AT_ONCE = 5000


class SetClock:
    """A clock that stands where it was set."""

    def __init__(self, time: datetime) -> None:
        self.time = time

    def now(self) -> datetime:
        """The time it was set to."""
        return self.time

    def wait_s(self, duration_s: float) -> float:
        """Nobody waits by it."""
        return duration_s


def at(seconds: float) -> datetime:
    """A time of the benchmark's jobs, from its seconds since their start."""
    return datetime.fromtimestamp(START_S + seconds, UTC)


def make(number: int, places: int, *, sleeves: bool, interval_s: float = INTERVAL_S) -> JobFile:
    """A job of some places, named and its probes named by its number; it has no end."""
    made: dict[str, Any] = job_of(1.0, places, interval_s, sleeves=sleeves)
    del made["end"]
    made["job"] = f"job-{number}"
    for probe in made["probes"]:
        probe["id"] = f"{made['job']}-{probe['id']}"
    return JobFile.model_validate(made)


def readings(job: JobFile, since_s: float, until_s: float, seed: int) -> Iterator[Reading]:
    """What the probes of a job report in a span of its time, probe by probe."""
    rng = np.random.default_rng(seed)
    kinds = {location.id: str(location.kind) for location in job.locations}
    for k, placement in enumerate(job.probes):
        time_s = np.arange(since_s + k, until_s, placement.interval_s)
        t, rh = air(kinds[placement.location_id], k, time_s, rng)
        for second, celsius, percent in zip(time_s, np.round(t, 2), np.round(rh, 1), strict=True):
            yield Reading(
                probe=placement.probe,
                time=at(second),
                temperature_c=float(celsius),
                relative_humidity_pct=float(percent),
                battery_v=3.05,
                received_at=at(second + 4.0),
            )


def store(
    db: Database,
    number: int,
    places: int,
    days: float,
    *,
    sleeves: bool,
    first: int = 0,
    interval_s: float = INTERVAL_S,
) -> list[JobFile]:
    """Apply jobs, named by numbers from `first` on, and store what they reported in some days."""
    made = [make(first + n, places, sleeves=sleeves, interval_s=interval_s) for n in range(number)]
    for n, job in enumerate(made):
        with db.write() as conn:
            jobs.apply_job(conn, job)
        whole = list(readings(job, 0.0, days * DAY_S, n))
        for begin in range(0, len(whole), _AT_ONCE):
            with db.write() as conn:
                insert_batch(conn, whole[begin : begin + _AT_ONCE])
    return made


def one_more(db: Database, made: list[JobFile], since_s: float) -> datetime:
    """One new reading of each probe; when the last of them came."""
    with db.write() as conn:
        for n, job in enumerate(made):
            insert_batch(conn, list(readings(job, since_s, since_s + INTERVAL_S, n)))
    return at(since_s + INTERVAL_S) + timedelta(seconds=5)
