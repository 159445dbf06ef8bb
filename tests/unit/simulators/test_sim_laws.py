"""Jobs whose laws are drawn from wider families than the analysis assumes: the same building, other laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitord.analysis.slabs.posterior.parameters import SLAB_PRIORS
from simulators.building.materials import Concrete
from simulators.building.slab import Slabs, SlabShape
from simulators.jobs.families import FAMILIES
from simulators.jobs.sampling import sample_scenario
from simulators.jobs.sampling_days import add_ordinary_days, add_probes
from simulators.jobs.sampling_laws import widen
from simulators.probes import faults as ft
from simulators.scenario import Scenario


def drawn(family: str, seed: int) -> Scenario:
    scenario = sample_scenario(family, seed, FAMILIES[family].needs, np.random.default_rng([seed, 0]))
    add_ordinary_days(scenario, np.random.default_rng([seed, 1]))
    add_probes(scenario, np.random.default_rng([seed, 2]))
    FAMILIES[family].alter(scenario, np.random.default_rng([seed, 3]))
    return scenario


def widened(family: str, seed: int) -> Scenario:
    scenario = drawn(family, seed)
    widen(scenario, np.random.default_rng([seed, 4]))
    return scenario


def test_other_laws_leave_the_building_and_its_days_as_they_are() -> None:
    one, other = drawn("probe_fault", 5), widened("probe_fault", 5)
    assert other.slabs != one.slabs
    assert [replace(slab, concrete=Concrete()) for slab in other.slabs] == [
        replace(slab, concrete=Concrete()) for slab in one.slabs
    ]
    for name in ("rooms", "events", "outages", "placements", "start_s", "end_s"):
        assert getattr(other, name) == getattr(one, name)
    assert [(f.kind, f.probe, f.start_s) for f in other.faults if f.kind != ft.SLUGGISH] == [
        (f.kind, f.probe, f.start_s) for f in one.faults
    ]


def test_laws_lie_on_both_sides_of_what_the_analysis_assumes() -> None:
    """Its priors are those of `SLAB_PRIORS` and of METHOD.md; no law of the Model Code's form is left to itself."""
    jobs = [widened(family, seed) for family in ("sleeves", "probe_fault") for seed in range(24)]
    concretes = [slab.concrete for job in jobs for slab in job.slabs]
    bent = [c for c in concretes if c.falloff is None]
    assert 0.3 < len(bent) / len(concretes) < 0.7
    assert 0.2 < np.mean([c.late_share is not None for c in concretes]) < 0.9
    sleeves = [p.sleeve for job in jobs for p in job.sleeves if p.sleeve is not None]
    timbers = [one.timber.lag_days for job in jobs for one in (*job.cavities, *job.voids)]
    for values, (low, high) in (
        ([c.h_c for c in bent], SLAB_PRIORS.bend[1:]),
        ([s.tau_h for s in sleeves], SLAB_PRIORS.air_tau_h[1:]),
        (timbers, (8.0, 30.0)),
    ):
        assert min(values) < low
        assert max(values) > high
    mean, sd = SLAB_PRIORS.activation_k[1:]
    assert max(c.activation_k for c in concretes) > mean + 2.0 * sd
    assert sum(f.kind == ft.SLUGGISH for job in jobs for f in job.faults) > 10
    assert not any(f.kind == ft.SLUGGISH for seed in range(24) for f in drawn("probe_fault", seed).faults)


@pytest.mark.parametrize("change", [{"falloff": 6.0}, {"falloff": 0.0, "late_share": 0.6, "late_power": 30.0}])
def test_water_is_kept_under_other_laws(change: dict[str, float]) -> None:
    concrete = Concrete(8e-10, **change)
    h = np.array([0.5, 0.9, 1.0])
    assert concrete.diffusivity(h) == pytest.approx(8e-10 * np.exp(-change["falloff"] * (1.0 - h)))
    table = concrete.table()
    assert table.humidity_of(table.content(np.linspace(0.2, 1.0, 33))) == pytest.approx(
        np.linspace(0.2, 1.0, 33), abs=4e-3
    )
    slabs = Slabs([SlabShape(0.08, concrete)])
    slabs.set_humidity(0, np.array(0.95))
    before = float(slabs.total()[0])
    for _ in range(200):
        slabs.step(3600.0, np.array([2e-7]), np.zeros(1), np.ones((1, 1)))
    assert float(slabs.total()[0]) == pytest.approx(before - 200 * 3600.0 * 2e-7, rel=1e-9)
