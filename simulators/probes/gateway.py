"""The way from probe to daemon: late, twice, out of order, and all at once after an outage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.probes.faults import Samples

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Outage:
    """A time in which nothing comes through."""

    start_s: float
    end_s: float
    kept: bool = True
    """Whether the gateway keeps what it hears and sends it afterwards."""
    order: str = "time"
    """How the backlog comes: `time`, `probe`, `newest_first` or `mixed`."""
    repeated: float = 0.0
    """Share of the backlog that is sent twice."""


@dataclass(frozen=True)
class Link:
    """How good the way is in ordinary times."""

    delay_s: float = 3.0
    repeated: float = 0.002
    late: float = 0.002
    """Share of readings that come minutes to hours late."""


@dataclass(frozen=True)
class Readings:
    """Rows in the order in which they arrive."""

    probes: tuple[str, ...]
    probe: NDArray[np.int64]
    """Index into `probes`."""
    time_s: NDArray[np.int64]
    """The probe's own stamp. [POSIX s]"""
    temperature_c: Array
    relative_humidity_pct: Array
    surface_temperature_c: Array
    """NaN where there is none."""
    battery_v: Array
    received_s: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.probe)


def deliver(
    sent: Sequence[tuple[str, Samples]],
    outages: Sequence[Outage],
    link: Link,
    end_s: float,
    rng: np.random.Generator,
) -> Readings:
    """All samples as rows in the order of arrival; what would arrive after the end is not among them."""
    names = tuple(dict.fromkeys(name for name, _ in sent))
    who = np.concatenate([np.full(len(s.true_s), names.index(name), dtype=np.int64) for name, s in sent])
    columns = {
        key: np.concatenate([getattr(s, key) for _, s in sent])
        for key in ("true_s", "stamp_s", "temperature_c", "humidity_pct", "surface_c", "battery_v")
    }
    n = len(who)
    arrival = columns["true_s"] + 1.0 + rng.exponential(link.delay_s, n)
    late = rng.random(n) < link.late
    arrival[late] += rng.exponential(1200.0, n)[late]
    rows, keep = np.arange(n), np.ones(n, dtype=bool)
    twice = [rows[rng.random(n) < link.repeated]]
    for outage in outages:
        held = (columns["true_s"] >= outage.start_s) & (columns["true_s"] < outage.end_s)
        if not outage.kept:
            keep &= ~held
            continue
        arrival[held] = outage.end_s + _backlog(outage, columns["true_s"][held], who[held], rng)
        twice.append(rows[held & (rng.random(n) < outage.repeated)])
    again = np.concatenate(twice)
    again = again[keep[again]]
    all_rows = np.concatenate([rows[keep], again])
    all_arrivals = np.concatenate([arrival[keep], arrival[again] + 1.0 + rng.exponential(40.0, len(again))])
    order = np.argsort(all_arrivals, kind="stable")
    all_rows, received = all_rows[order], np.ceil(all_arrivals[order]).astype(np.int64)
    inside = received <= end_s
    pick = all_rows[inside]
    return Readings(
        probes=names,
        probe=who[pick],
        time_s=columns["stamp_s"][pick].astype(np.int64),
        temperature_c=columns["temperature_c"][pick],
        relative_humidity_pct=columns["humidity_pct"][pick],
        surface_temperature_c=columns["surface_c"][pick],
        battery_v=columns["battery_v"][pick],
        received_s=received[inside],
    )


def _backlog(outage: Outage, true_s: Array, who: NDArray[np.int64], rng: np.random.Generator) -> Array:
    """Seconds after the end of an outage at which each held reading arrives."""
    n = len(true_s)
    location = np.arange(n, dtype=np.float64)
    keys = {
        "time": (who, true_s),
        "probe": (true_s, who),
        "newest_first": (who, -true_s),
        "mixed": (rng.random(n),),
    }[outage.order]
    rank = np.empty(n)
    rank[np.lexsort(keys)] = location
    return 2.0 + rank * float(rng.uniform(0.02, 0.3))
