"""How long a year of hourly values of many locations takes in the mould model, beside a plain loop.

    python -m simulators.benchmarks.mould [--locations 100] [--plain 5]

The weather is drawn: a damp place whose humidity crosses the critical one again and again, so that growth, decline
and the slowing near the highest index are all met. The plain loop is the simulator's own mould index, one hour and
one location at a time, on fewer locations; its time is scaled up. The processor time of this process is what counts:
other programs on the machine hardly change it.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from time import perf_counter, process_time
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from monitord.physics.mould.index import VERY_SENSITIVE_SAWN_PINE, mould_run
from simulators.building.mould import mould_index

Array = NDArray[np.float64]

HOURS = 8760
AIM_S = 2.0
"""For a year of 100 locations."""


class Spent(NamedTuple):
    """What a run took. [s]"""

    processor_s: float
    wall_s: float


def damp_year(locations: int, seed: int = 1) -> tuple[Array, Array]:
    """A year of hourly surface temperature and humidity, each (hours, locations). [°C], [%]"""
    rng = np.random.default_rng(seed)
    hour = np.arange(HOURS)[:, None]
    keep = np.exp(-1.0 / 60.0)
    noise = rng.standard_normal((2, HOURS, locations))
    wander, humid = lfilter([1.0], [1.0, -keep], noise, axis=1) * np.sqrt(1 - keep**2)
    season = -np.cos(2 * np.pi * hour / HOURS)
    daily = np.cos(2 * np.pi * (hour - 15) / 24)
    temperature = 11.0 + 7.0 * season + 2.0 * daily + 3.0 * wander
    humidity = 84.0 - 4.0 * daily + 8.0 * humid
    return temperature, np.clip(humidity, 30.0, 103.0)


def best_of(runs: int, work: Callable[[], object]) -> Spent:
    """The least that a piece of work took over some runs."""
    spent = []
    for _ in range(runs):
        processor, wall = process_time(), perf_counter()
        work()
        spent.append(Spent(process_time() - processor, perf_counter() - wall))
    return min(spent)


def plain(temperature: Array, humidity: Array) -> list[Array]:
    """One location and one hour at a time."""
    return [mould_index(t, h) for t, h in zip(temperature.T, humidity.T, strict=True)]


def main() -> None:
    """Print the times of the mould model and of the plain loop, and how far apart their results are."""
    parser = argparse.ArgumentParser(prog="python -m simulators.benchmarks.mould", description=main.__doc__)
    parser.add_argument("--locations", type=int, default=100)
    parser.add_argument("--plain", type=int, default=5, help="locations that go through the plain loop")
    parser.add_argument("--runs", type=int, default=3)
    arguments = parser.parse_args()
    temperature, humidity = damp_year(arguments.locations)
    few = min(arguments.plain, arguments.locations)
    ours = best_of(arguments.runs, lambda: mould_run(temperature, humidity, VERY_SENSITIVE_SAWN_PINE))
    loop = best_of(1, lambda: plain(temperature[:, :few], humidity[:, :few]))
    index = mould_run(temperature, humidity, VERY_SENSITIVE_SAWN_PINE).index
    apart = max(
        float(np.abs(index[:, n] - history).max())
        for n, history in enumerate(plain(temperature[:, :few], humidity[:, :few]))
    )
    scaled = loop.processor_s * arguments.locations / few
    years = f"{arguments.locations} locations, one year of hours"
    print(f"mould model, {years}: {ours.processor_s:.2f} s of processor ({ours.wall_s:.2f} s on the clock)")
    print(f"plain loop, {few} of them: {loop.processor_s:.2f} s; scaled to all: {scaled:.1f} s")
    print(f"ratio {scaled / ours.processor_s:.0f} to 1; indices agree within {apart:.1e}, highest {index.max():.2f}")
    if arguments.locations == 100:
        print(f"aim: under {AIM_S:g} s: {'met' if ours.processor_s < AIM_S else 'MISSED'}")


if __name__ == "__main__":
    main()
