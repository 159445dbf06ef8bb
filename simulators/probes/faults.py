"""What goes wrong with probes, and how it shows in their readings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STUCK = "stuck"
DRIFT = "drift"
OFFSET = "offset"
SPIKES = "spikes"
NOISY = "noisy"
CLOCK_AHEAD = "clock_ahead"
CLOCK_BEHIND = "clock_behind"
SATURATED = "saturated"
FALLEN_OUT = "fallen_out"
BATTERY = "battery"
SILENT = "silent"
GAPS = "gaps"
SLUGGISH = "sluggish"
"""Only in jobs whose laws are drawn from wider families."""

FAULT_KINDS = (
    STUCK, DRIFT, OFFSET, SPIKES, NOISY, CLOCK_AHEAD, CLOCK_BEHIND, SATURATED, FALLEN_OUT, BATTERY, SILENT, GAPS,
)  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One fault of one probe."""

    kind: str
    probe: str
    start_s: float
    end_s: float
    amount: float = 0.0
    """Drift: % RH a day. Offset: % RH. Spikes: share of readings. Noisy: standard deviation, % RH. Clock: s.
    Gaps: share of readings that are lost. Saturated: the value shown, % RH. Sluggish: time constant, h."""


@dataclass(frozen=True)
class Samples:
    """What one probe measured, before it is sent."""

    true_s: Array
    """When it was really measured."""
    stamp_s: Array
    """When the probe says that it was."""
    temperature_c: Array
    humidity_pct: Array
    surface_c: Array
    battery_v: Array

    def kept(self, keep: NDArray[np.bool_]) -> Samples:
        """Only some of them."""
        return Samples(**{name: values[keep] for name, values in vars(self).items()})


def apply_fault(fault: Fault, samples: Samples, rng: np.random.Generator) -> Samples:
    """The samples as the fault leaves them. `fallen_out` is not seen to here: it is measured elsewhere."""
    on = (samples.true_s >= fault.start_s) & (samples.true_s < fault.end_s)
    if not on.any():
        return samples
    humidity, temperature = samples.humidity_pct.copy(), samples.temperature_c.copy()
    days = (samples.true_s - fault.start_s) / 86_400.0
    first = int(np.flatnonzero(on)[0])
    if fault.kind == STUCK:
        humidity[on] = humidity[first]
        if fault.amount > 0.5:  # the whole sensor hangs, not only its humidity
            temperature[on] = temperature[first]
    elif fault.kind == DRIFT:
        humidity[on] += fault.amount * days[on]
    elif fault.kind == OFFSET:
        humidity[on] += fault.amount
    elif fault.kind == SPIKES:
        struck = on & (rng.random(len(on)) < fault.amount)
        size = rng.uniform(8.0, 45.0, len(on)) * rng.choice([-1.0, 1.0], len(on), p=[0.6, 0.4])
        humidity[struck] += size[struck]
        temperature[struck] += rng.choice([0.0, 0.0, 12.0, -15.0], len(on))[struck]
    elif fault.kind == NOISY:
        humidity[on] += fault.amount * rng.standard_normal(len(on))[on]
        temperature[on] += 0.12 * fault.amount * rng.standard_normal(len(on))[on]
    elif fault.kind == SATURATED:
        humidity[on] = fault.amount + 0.15 * rng.standard_normal(len(on))[on]
    elif fault.kind == SLUGGISH:
        humidity[on] = _lagging(humidity[on], samples.true_s[on], 3600.0 * fault.amount)
    elif fault.kind in (CLOCK_AHEAD, CLOCK_BEHIND):
        return replace(samples, stamp_s=np.where(on, samples.stamp_s + fault.amount, samples.stamp_s))
    elif fault.kind == BATTERY:
        return _running_down(fault, samples, on, rng)
    elif fault.kind in (SILENT, GAPS):
        return samples.kept(~on if fault.kind == SILENT else ~(on & (rng.random(len(on)) < fault.amount)))
    return replace(samples, humidity_pct=np.clip(humidity, 0.0, 100.0), temperature_c=temperature)


def _lagging(values: Array, time_s: Array, tau_s: float) -> Array:
    """Values as a first-order element of a time constant shows them, from the first one on."""
    keep = np.exp(-np.diff(time_s) / tau_s)
    out = values.copy()
    for k, kept in enumerate(keep, start=1):
        out[k] = values[k] + (out[k - 1] - values[k]) * kept
    return out


def _running_down(fault: Fault, samples: Samples, on: NDArray[np.bool_], rng: np.random.Generator) -> Samples:
    """A battery that falls to nothing at the end of the fault; towards it, readings are lost, then all."""
    span = fault.end_s - fault.start_s
    share = np.clip((samples.true_s - fault.start_s) / span, 0.0, 1.0)
    volts = np.where(samples.true_s >= fault.start_s, samples.battery_v - 1.05 * share**1.6, samples.battery_v)
    lost = (share > 0.8) & (rng.random(len(on)) < (share - 0.8) * 3.0)
    dead = samples.true_s >= fault.end_s
    return replace(samples, battery_v=volts).kept(~lost & ~dead)
