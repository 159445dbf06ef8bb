"""A fleet of many probes, an hour of simulated time, through the daemon's own writer into SQLite.

Each probe reports every ten minutes as our own JSON, at a moment of its own; messages are committed in batches as they
would come from a broker (which has no part in this), and the clock of the simulation is set to each batch's time. Once
a simulated minute the hours that are over are rolled up, as a round does. It runs in a process of its own, so that
memory is its own: the highest resident size, VmHWM of proc(5). Bytes are those of the database file beyond an empty
one.

Lag: a daemon that takes less than an hour for an hour's readings falls behind nowhere; the longest of the six times ten
minutes says whether it gets slower as the store grows.
"""

from __future__ import annotations

import json
import multiprocessing
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.gc_tuning import calm_garbage_collection
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.store.db.database import Database
from monitord.store.db.times import to_ms
from monitord.store.series import rollups
from simulators.benchmarks.lines import Line, memory_mib

START = datetime(2025, 3, 1, tzinfo=UTC)
ROUNDS = 6
"""Readings of each probe in an hour."""
INTERVAL_S = 3600 // ROUNDS
BATCH = 500


def batches(probes: int, rounds: int) -> Iterator[list[IncomingMessage]]:
    """The messages in order of arrival, up to `BATCH` at once. Values are hundredths, as sensors write them."""
    batch: list[IncomingMessage] = []
    for turn in range(rounds):
        for k in range(probes):
            time = START + timedelta(seconds=turn * INTERVAL_S + INTERVAL_S * k / probes)
            record = {
                "time": time.isoformat(timespec="milliseconds"),
                "temperature_c": round(14.0 + (k * 7 + turn * 3) % 900 / 100, 2),
                "relative_humidity_pct": round(55.0 + (k * 11 + turn * 13) % 4000 / 100, 2),
                "battery_v": 3.05,
                "rssi_dbm": -60.0 - k % 40,
            }
            topic = f"monitord/gateway{k // 50}/probe{k:06d}/reading"
            batch.append(IncomingMessage(topic, json.dumps(record).encode(), time + timedelta(seconds=2)))
            if len(batch) == BATCH:
                yield batch
                batch = []
    if batch:
        yield batch


def take_in(folder: str, probes: int, rounds: int) -> dict[str, Any]:
    """Take a fleet's readings in; what it cost."""
    calm_garbage_collection()
    db = Database.open(f"sqlite:///{folder}/monitord.db")
    db.close()
    empty = (Path(folder) / "monitord.db").stat().st_size
    writer = BatchWriter(db, TopicRules())
    slices = [0.0] * rounds
    rolled_up_at = START
    stored = 0
    processor = process_time()
    making = 0.0
    before = process_time()
    for batch in batches(probes, rounds):
        making += process_time() - before
        begun = perf_counter()
        stored += writer.commit(batch).inserted
        now = batch[-1].received_at
        if timedelta(minutes=1) <= now - rolled_up_at and now < START + rounds * timedelta(seconds=INTERVAL_S):
            rollups.renew_all(db, to_ms(now))
            rolled_up_at = now
        turn = min(rounds - 1, int((now - START).total_seconds() // INTERVAL_S))
        slices[turn] += perf_counter() - begun
        before = process_time()
    spent = process_time() - processor - making
    begun = perf_counter()
    rollups.renew_all(db, to_ms(START + timedelta(seconds=(rounds + ROUNDS) * INTERVAL_S)))
    rolling = perf_counter() - begun
    db.close()
    size = (Path(folder) / "monitord.db").stat().st_size - empty
    return {
        "stored": stored,
        "slices": slices,
        "processor_s": spent,
        "rolling_s": rolling,
        "bytes": size / stored,
        "memory_mib": memory_mib()[1],
    }


def measured(probes: int, rounds: int) -> dict[str, Any]:
    """`take_in` in a process of its own."""
    with tempfile.TemporaryDirectory() as folder, multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(take_in, (folder, probes, rounds))


def lines(*, quick: bool) -> Iterator[Line]:
    """A fleet's hour, and what a reading takes on disk after a month of a house."""
    probes = 5_000 if quick else 100_000
    found = measured(probes, ROUNDS)
    if found["stored"] != probes * ROUNDS:
        raise RuntimeError(f"{found['stored']} of {probes * ROUNDS} readings were stored")
    part, fleet = "e", f"{probes:,} probes every {INTERVAL_S // 60} min"
    yield Line(part, f"{fleet}: time for an hour of readings", f"{sum(found['slices']):.0f} s", "under 3,600 s")
    yield Line(
        part,
        f"{fleet}: longest ten minutes against the first",
        f"{max(found['slices']) / found['slices'][0]:.2f}",
        "no growing lag",
    )
    per_reading = found["processor_s"] / found["stored"] * 1e6
    yield Line(part, f"{fleet}: processor time a reading", f"{per_reading:.1f} us")
    yield Line(part, f"{fleet}: rolling up the hour when it is over", f"{found['rolling_s']:.1f} s")
    yield Line(part, f"{fleet}: memory at its highest", f"{found['memory_mib']:.0f} MiB", "under 1,024 MiB")
    days = 5 if quick else 30
    house = measured(20, days * 24 * ROUNDS)
    yield Line(
        part, f"bytes a reading, roll-ups included: 20 probes, {days} days", f"{house['bytes']:.1f}", "at most 40"
    )
    yield Line(part, f"bytes a reading in the first hour of {fleet}", f"{found['bytes']:.1f}", "at most 40")
