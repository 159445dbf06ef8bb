"""Draws laws of materials and probes from wider families than the analysis assumes.

The analysis has priors of its own: D(h) of the Model Code's form, moisture capacity that rises towards saturation by a
tenth power, sleeves and timber that lag within known ranges, faults of known kinds and sizes. On jobs whose laws are
drawn from just those it would flatter itself. A wider job is the same building on the same days, with other laws; the
ranges are our choice, about twice as wide as the priors.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulators.building.enclosed import Timber
from simulators.building.materials import Concrete
from simulators.probes import faults as ft
from simulators.probes.faults import Fault
from simulators.probes.sleeves import Sleeve
from simulators.scenario import Scenario

Rng = np.random.Generator

WIDER = "-wider"
"""Ends the name of a family whose laws are drawn from wider families."""

_AIR = ("room_air", "cavity", "subfloor_void")


def _between(rng: Rng, low: float, high: float) -> float:
    """Log-uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _concrete(concrete: Concrete, rng: Rng) -> Concrete:
    """Another shape of D(h), and of the sorption isotherm in two of three."""
    how = str(rng.choice(["falls at a bend", "exponential", "constant"], p=[0.5, 0.35, 0.15]))
    if how == "falls at a bend":
        concrete = replace(
            concrete,
            alpha=_between(rng, 0.02, 0.4),
            h_c=float(rng.uniform(0.65, 0.93)),
            n=float(rng.uniform(3.0, 20.0)),
        )
    else:
        falloff = float(rng.uniform(1.5, 8.0)) if how == "exponential" else 0.0
        # at 90 % D is six tenths of D1: where the other kind has its bend
        concrete = replace(concrete, falloff=falloff, d1_m2_s=0.6 * concrete.d1_m2_s * float(np.exp(0.1 * falloff)))
    if rng.random() < 2.0 / 3.0:
        concrete = replace(
            concrete, late_share=float(rng.choice([0.0, rng.uniform(0.1, 0.7)])), late_power=_between(rng, 4.0, 40.0)
        )
    return replace(concrete, activation_k=float(rng.uniform(1800.0, 5200.0)))


def _timber(timber: Timber, rng: Rng) -> Timber:
    return replace(timber, lag_days=_between(rng, 4.0, 50.0), skin_lag_h=_between(rng, 3.0, 60.0))


def _sleeve(sleeve: Sleeve, rng: Rng) -> Sleeve:
    return replace(
        sleeve,
        tau_h=_between(rng, 2.0, 60.0),
        slow_share=float(rng.choice([0.0, rng.uniform(0.05, 0.45)])),
        slow_tau_h=_between(rng, 20.0, 150.0),
    )


_WIDER_AMOUNTS = {ft.DRIFT: (0.15, 3.0), ft.OFFSET: (4.0, 25.0), ft.SPIKES: (0.005, 0.15), ft.NOISY: (1.0, 12.0)}
"""Size of a fault, either way where it has a sign; in the unit of its kind."""


def _fault(fault: Fault, rng: Rng) -> Fault:
    if fault.kind not in _WIDER_AMOUNTS:
        return fault
    return replace(fault, amount=float(np.sign(fault.amount)) * _between(rng, *_WIDER_AMOUNTS[fault.kind]))


def widen(scenario: Scenario, rng: Rng) -> None:
    """Give a job laws from wider families: concrete, timber, sleeves, lag of probes, faults and a kind of its own."""
    scenario.slabs = [replace(slab, concrete=_concrete(slab.concrete, rng)) for slab in scenario.slabs]
    scenario.cavities = [replace(cavity, timber=_timber(cavity.timber, rng)) for cavity in scenario.cavities]
    scenario.voids = [replace(void, timber=_timber(void.timber, rng)) for void in scenario.voids]
    for location in scenario.sleeves:
        if location.sleeve is not None:
            location.sleeve = _sleeve(location.sleeve, rng)
    scenario.probes = [replace(probe, lag_s=_between(rng, 60.0, 5400.0)) for probe in scenario.probes]
    scenario.faults = [_fault(fault, rng) for fault in scenario.faults]
    if scenario.faults:
        _sluggish(scenario, rng)


def _sluggish(scenario: Scenario, rng: Rng) -> None:
    """One of the probes in air that have no fault becomes slow: dust or paint on its filter."""
    kinds = {location.id: location.kind for location in scenario.locations}
    failing = {fault.probe for fault in scenario.faults}
    free = [
        placement.probe
        for placement in scenario.placements
        if placement.to_s is None and kinds.get(placement.location) in _AIR and placement.probe not in failing
    ]
    if free:
        start = scenario.moment(rng, 0.2, 0.6)
        probe = free[int(rng.integers(len(free)))]
        scenario.faults.append(Fault(ft.SLUGGISH, probe, start, scenario.end_s, float(rng.uniform(8.0, 60.0))))
