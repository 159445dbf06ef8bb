"""Probes that lie a little: they lag, are noisy, biased within their accuracy, rounded, and lose readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.building.climate import ar_noise
from simulators.probes.faults import FALLEN_OUT, Fault, Samples, apply_fault

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ProbedPlace:
    """What is true where a probe is, on a regular grid."""

    time_s: Array
    temperature_c: Array
    humidity_pct: Array
    surface_c: Array | None = None


@dataclass(frozen=True)
class Probe:
    """A device and its small untruths."""

    id: str
    interval_s: float
    accuracy_c: float
    accuracy_pct: float
    lag_s: float = 400.0
    bias_c: float = 0.0
    bias_pct: float = 0.0
    slope: float = 0.0
    """Further error per % RH away from 60 %."""
    noise_c: float = 0.03
    noise_pct: float = 0.15
    step_c: float = 0.01
    step_pct: float = 0.01
    battery_v: float = 3.05
    lost_share: float = 0.003
    """Share of readings that never arrive."""
    phase_s: float = 0.0
    highest_pct: float = 100.0
    surface_bias_c: float = 0.0


IN_HAND = ""
"""In place of a location: the probe is being carried, and sends what it meets; such a stay is in no job file."""


@dataclass(frozen=True)
class ProbePlacement:
    """A probe at a location from one time to another."""

    probe: str
    location: str
    from_s: float
    to_s: float | None = None


def draw_probe(rng: np.random.Generator, probe_id: str, interval_s: float) -> Probe:
    """A probe of some make."""
    make = int(rng.integers(4))
    accuracy_c, accuracy_pct = ((0.2, 1.5), (0.3, 2.0), (0.3, 2.0), (0.5, 3.0))[make]
    step_c, step_pct = ((0.01, 0.01), (0.01, 0.05), (0.1, 0.1), (0.1, 0.5))[make]
    return Probe(
        id=probe_id,
        interval_s=interval_s,
        accuracy_c=accuracy_c,
        accuracy_pct=accuracy_pct,
        lag_s=float(rng.uniform(120, 900)),
        bias_c=float(np.clip(rng.normal(0, 0.4), -0.95, 0.95)) * accuracy_c,
        bias_pct=float(np.clip(rng.normal(0, 0.4), -0.85, 0.85)) * accuracy_pct,
        slope=float(rng.normal(0, 0.004)),
        noise_c=float(rng.uniform(0.01, 0.06)),
        noise_pct=float(np.exp(rng.uniform(np.log(0.02), np.log(0.30)))),
        step_c=step_c,
        step_pct=step_pct,
        battery_v=float(rng.uniform(2.95, 3.25)),
        lost_share=float(rng.choice([0.0, 0.002, 0.01, 0.03], p=[0.25, 0.4, 0.25, 0.1])),
        phase_s=float(rng.integers(0, int(interval_s))),
        highest_pct=float(rng.choice([100.0, 100.0, 99.9])),
        surface_bias_c=float(rng.normal(0, 0.15)),
    )


def _lag(values: Array, step_s: Array, tau_s: float) -> Array:
    """First-order lag on samples that need not be evenly spaced, but nearly are."""
    out = np.empty_like(values)
    keep = np.exp(-step_s / max(tau_s, 1.0))
    state = values[0]
    for i, (value, k) in enumerate(zip(values.tolist(), keep.tolist(), strict=True)):
        state = value + (state - value) * k
        out[i] = state
    return out


def _rounded(values: Array, step: float) -> Array:
    return np.asarray(np.round(np.round(values / step) * step, 3))


def measure(
    probe: Probe,
    placement: ProbePlacement,
    location: ProbedPlace,
    hands: ProbedPlace,
    faults: Sequence[Fault],
    end_s: float,
    rng: np.random.Generator,
) -> Samples:
    """What a probe measures during a stay, before it is sent.

    Parameters
    ----------
    hands : the air of the room: its first readings are on the way from there, and there it lies once it has fallen
        out of its place.
    """
    last = min(placement.to_s if placement.to_s is not None else end_s, end_s)
    first = probe.phase_s + np.ceil((placement.from_s - probe.phase_s) / probe.interval_s) * probe.interval_s
    true_s = np.arange(first, last, probe.interval_s)
    true_s = np.floor(true_s + rng.integers(0, 3, len(true_s)))
    true_s = true_s[true_s < last]
    if len(true_s) == 0:
        empty = np.empty(0)
        return Samples(empty, empty, empty, empty, empty, empty)
    t = np.interp(true_s, location.time_s, location.temperature_c)
    rh = np.interp(true_s, location.time_s, location.humidity_pct)
    for fault in faults:
        if fault.kind == FALLEN_OUT:
            out = (true_s >= fault.start_s) & (true_s < fault.end_s)
            t[out] = np.interp(true_s[out], hands.time_s, hands.temperature_c)
            rh[out] = np.interp(true_s[out], hands.time_s, hands.humidity_pct)
    # it comes from the installer's hands and the van
    t[:1] = np.interp(placement.from_s, hands.time_s, hands.temperature_c) + rng.uniform(0.0, 4.0)
    rh[:1] = np.clip(np.interp(placement.from_s, hands.time_s, hands.humidity_pct) + rng.normal(0, 5), 10, 98)
    step = np.append(0.0, np.diff(true_s))
    n = len(true_s)
    t = _lag(t, step, probe.lag_s) + probe.bias_c + probe.noise_c * rng.standard_normal(n)
    rh = _lag(rh, step, 0.7 * probe.lag_s)
    rh = rh + probe.bias_pct + probe.slope * (rh - 60.0) + probe.noise_pct * rng.standard_normal(n)
    rh = rh + ar_noise(rng, n, probe.interval_s, 6 * 3600.0, 0.5 * probe.noise_pct)
    surface = np.full(n, np.nan)
    if location.surface_c is not None:
        surface = np.interp(true_s, location.time_s, location.surface_c) + probe.surface_bias_c
        surface = _rounded(surface + probe.noise_c * rng.standard_normal(n), probe.step_c)
    days = (true_s - true_s[0]) / 86_400.0
    battery = probe.battery_v - 0.0008 * days + 0.004 * (t - 20.0) + 0.004 * rng.standard_normal(n)
    samples = Samples(true_s, true_s.copy(), t, np.clip(rh, 0.0, 101.0), surface, battery)
    for fault in faults:
        samples = apply_fault(fault, samples, rng)
    if probe.lost_share:
        samples = samples.kept(rng.random(len(samples.true_s)) >= probe.lost_share)
    return Samples(
        samples.true_s,
        samples.stamp_s,
        _rounded(samples.temperature_c, probe.step_c),
        np.minimum(_rounded(samples.humidity_pct, probe.step_pct), probe.highest_pct),
        samples.surface_c,
        np.round(samples.battery_v, 2),
    )
