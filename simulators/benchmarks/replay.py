"""How fast recorded readings are replayed, beside plainly reading the same file.

The job is a made-up house with every kind of place, two hours without the gateway and a leak, as a folder of job.json
and readings.csv. Set against `monitord replay` of it, in the same run: the rows read into arrays and the mean of each
probe's hours taken, with csv and numpy. That baseline runs before and after each replay, so that a slow moment of the
machine hits both. Seconds of different machines can't be compared, ratios can.
"""

from __future__ import annotations

import csv
import json
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from time import perf_counter, process_time
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.physics.moist_air import saturation_vapour_pressure
from monitord.replay.run import run_replay
from simulators.benchmarks.lines import Line
from simulators.jobs.replay_files import HEADER
from simulators.truth.records import iso

Array = NDArray[np.float64]

AIM_S = 60.0
"""For 60 days of 20 probes at 10 minutes."""

START_S = 1_736_467_200.0  # 2025-01-10T00:00:00Z
DAY_S, HOUR_S = 86_400.0, 3600.0
_OUTAGE_S = (20.4 * DAY_S, 20.4 * DAY_S + 2 * HOUR_S)
_KINDS = ("slab_sleeve", "cavity", "slab_sleeve", "cavity", "subfloor_void", "slab_sleeve", "surface")


class Spent(NamedTuple):
    """What a run took; the processor time is that of processes that it has started and that have ended, too."""

    wall_s: float
    processor_s: float


def timed(work: Callable[[], object]) -> Spent:
    """How long something takes."""
    wall, processor = perf_counter(), _processor_s()
    work()
    return Spent(perf_counter() - wall, _processor_s() - processor)


def _processor_s() -> float:
    ended = os.times()
    return process_time() + ended.children_user + ended.children_system


# -- the job -----------------------------------------------------------------------------------------------------


def locations(probes: int) -> list[dict[str, Any]]:
    """As many places as probes: outdoor air, two rooms, and elements that dry into them."""
    found: list[dict[str, Any]] = [
        {"id": "outdoors", "kind": "outdoor_air"},
        {"id": "room0", "kind": "room_air", "f_rsi": 0.75},
        {"id": "room1", "kind": "room_air", "f_rsi": 0.85},
    ]
    for k in range(max(0, probes - len(found))):
        kind = _KINDS[k % len(_KINDS)]
        location: dict[str, Any] = {"id": f"{kind}-{k}", "kind": kind, "reference": f"room{k % 2}"}
        if kind == "slab_sleeve":
            location |= {"depth_mm": 30.0 + 10.0 * (k % 3), "slab_thickness_mm": 100.0, "drying_sides": 1}
            location |= {"installed_at": iso(START_S + DAY_S), "sealed_at": iso(START_S + DAY_S)}
            location["goal"] = {"metric": "equilibrium_rh_pct", "limit": 80.0, "window_h": 24}
        elif kind == "cavity":
            location["f_rsi"] = 0.4
            location["goal"] = {"metric": "vp_excess_pa", "limit": 120.0, "window_h": 48}
        elif kind == "subfloor_void":
            location["goal"] = {"metric": "timber_mc_pct", "limit": 16.0, "window_h": 72}
        found.append(location)
    return found[:probes]


def job_of(days: float, probes: int, interval_s: float, *, sleeves: bool = True) -> dict[str, Any]:
    """The job file; without sleeves these are cavities."""
    measured = locations(probes)
    for location in measured:
        if location["kind"] == "slab_sleeve" and not sleeves:
            location |= {"kind": "cavity", "f_rsi": 0.4, "goal": {"metric": "vp_excess_pa", "limit": 120.0}}
            for name in ("depth_mm", "slab_thickness_mm", "drying_sides", "installed_at", "sealed_at"):
                del location[name]
    return {
        "format": 1,
        "job": "benchmark",
        "timezone": "Europe/Helsinki",
        "start": iso(START_S),
        "end": iso(START_S + days * DAY_S),
        "locations": measured,
        "probes": [
            {"id": f"p{k}", "location_id": location["id"], "from": iso(START_S), "interval_s": interval_s}
            for k, location in enumerate(measured)
        ],
    }


def air(kind: str, k: int, time_s: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Temperature [°C] and humidity [%] at a place, drying over weeks with the day in it."""
    day = np.sin(2 * np.pi * time_s / DAY_S + 0.2 * k)
    wander = np.cumsum(rng.normal(0.0, 0.02, len(time_s)))
    weeks = np.exp(-time_s / ((12.0 + k) * DAY_S))
    t = {"outdoor_air": 3.0 + 4.0 * day + wander, "cavity": 13.0 + 2.0 * day + 0.3 * wander}.get(kind, 19.0 + 0.8 * day)
    if kind == "outdoor_air":
        return t, np.clip(85.0 - 6.0 * day + wander, 40.0, 100.0)
    if kind == "slab_sleeve":
        sealed = np.clip(1.0 - np.exp(-(time_s - DAY_S) / (0.6 * DAY_S)), 0.0, 1.0)
        return t, 50.0 + sealed * (35.0 + 9.0 * weeks)
    if kind in ("cavity", "subfloor_void"):
        leak = 9.0 * (1.0 - np.exp(-np.maximum(time_s - 30.0 * DAY_S, 0.0) / (0.5 * DAY_S))) if k == 4 else 0.0
        vapour = 900.0 + 420.0 * weeks + 30.0 * day
        return t, np.clip(100.0 * vapour / saturation_vapour_pressure(t, "water") + leak, 5.0, 100.0)
    return t, np.clip(46.0 + 8.0 * weeks - 2.0 * day + 0.5 * wander, 5.0, 100.0)


def write_folder(folder: Path, days: float, probes: int, interval_s: float, *, sleeves: bool = True) -> int:
    """Write job.json and readings.csv; the number of readings."""
    job, rng = job_of(days, probes, interval_s, sleeves=sleeves), np.random.default_rng(7)
    (folder / "job.json").write_text(json.dumps(job), encoding="utf-8")
    rows: list[tuple[float, str]] = []
    for k, location in enumerate(job["locations"]):
        time_s = np.round(np.arange(rng.uniform(0, interval_s), days * DAY_S - 60.0, interval_s))
        t, rh = air(location["kind"], k, time_s, rng)
        t, rh = t + rng.normal(0.0, 0.03, len(t)), np.clip(rh + rng.normal(0.0, 0.1, len(rh)), 0.0, 100.0)
        received = time_s + np.round(rng.uniform(2.0, 9.0, len(time_s)))
        out = (time_s >= _OUTAGE_S[0]) & (time_s < _OUTAGE_S[1])
        received[out] = _OUTAGE_S[1] + 20.0
        surface = np.round(t - 1.0, 2) if location["kind"] == "surface" else np.full(len(t), np.nan)
        for at, a, b, c, arrived in zip(time_s, np.round(t, 2), np.round(rh, 1), surface, received, strict=True):
            cell = "" if np.isnan(c) else f"{c:g}"
            rows.append((arrived, f"{iso(START_S + at)},p{k},{a:g},{b:g},{cell},3.05,{iso(START_S + arrived)}"))
    rows.sort(key=lambda row: row[0])
    (folder / "readings.csv").write_text("\n".join([HEADER, *(text for _, text in rows)]) + "\n", encoding="utf-8")
    return len(rows)


# -- the baseline --------------------------------------------------------------------------------------------------


def hourly_means(path: Path) -> dict[str, Array]:
    """Read a readings file into arrays and take the mean of each probe's hours: (hours, 3) of time, °C and %."""
    columns: dict[str, list[tuple[float, float, float]]] = {}
    with path.open(newline="", encoding="utf-8") as file:
        reader = csv.reader(file)
        next(reader)
        for time, probe, t, rh, *_ in reader:
            columns.setdefault(probe, []).append((datetime.fromisoformat(time).timestamp(), float(t), float(rh)))
    return {probe: _means(np.array(rows)) for probe, rows in columns.items()}


def _means(rows: Array) -> Array:
    hour = (rows[:, 0] // HOUR_S).astype(np.int64)
    hour -= hour.min()
    count = np.maximum(np.bincount(hour), 1)
    return np.stack([np.bincount(hour, weights=column) / count for column in rows.T], axis=1)


# -- the comparison ------------------------------------------------------------------------------------------------


def rounds_of(folder: Path, rounds: int, workers: int) -> Iterator[tuple[Spent, Spent]]:
    """Baseline (the mean of before and after) and replay, round by round."""
    rules, shown = default_rule_book(), sys.stderr.isatty()
    for _ in range(rounds):
        before = timed(lambda: hourly_means(folder / "readings.csv"))
        ours = timed(lambda: run_replay(folder, folder / "out", progress=shown, rules=rules, workers=workers))
        after = timed(lambda: hourly_means(folder / "readings.csv"))
        yield Spent(*(0.5 * (a + b) for a, b in zip(before, after, strict=True))), ours


def lines(*, quick: bool) -> Iterator[Line]:
    """Replay against plainly reading the file, on every core; with sleeves and without."""
    days, probes = (10.0, 6) if quick else (60.0, 20)
    workers = os.cpu_count() or 1
    for sleeves in (False,) if quick else (True, False):
        with tempfile.TemporaryDirectory() as name:
            count = write_folder(Path(name), days, probes, 600.0, sleeves=sleeves)
            ((baseline, ours),) = rounds_of(Path(name), 1, workers)
        kind = "with sleeves" if sleeves else "without sleeves"
        what = f"{days:g} days x {probes} probes {kind} ({count:,} readings), {workers} processes"
        aim = f"{AIM_S:.0f} s" if sleeves else ""
        yield Line("f", f"replay of {what}", f"{ours.wall_s:.1f} s; processor {ours.processor_s:.1f} s", aim)
        ratio = f"{ours.processor_s / baseline.processor_s:.0f} times"
        yield Line("f", "the same against plainly reading the file, processor time", ratio)
