"""The ensemble of one sleeve, marched on day by day; the same days give the same ensemble, however often it is asked.

Each day's random numbers are seeded by the location and the day's end, so a day's ensemble is a function of the days
up to it alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np

from monitord.analysis.slabs.posterior.forward_model import Grid, first_profile, march
from monitord.analysis.slabs.posterior.likelihood import error_model, over_levels, residuals
from monitord.analysis.slabs.posterior.members import SCORES, Members, members_of
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.sampler import Evaluated, Population, assimilate, draw_prior
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array, Flags


@dataclass(frozen=True)
class Slab:
    """What is known of a sleeve's slab without any reading."""

    location: str
    grid: Grid
    p_fed: float = POSTERIOR.fed_probability
    """Prior probability that the far side is fed; 0 where both faces dry."""

    def generator(self, end_s: float) -> np.random.Generator:
        """Random numbers of a day of this location."""
        return np.random.default_rng([crc32(self.location.encode()), round(end_s)])


@dataclass(frozen=True)
class Ensemble:
    """Members after so many days."""

    count: int
    first: int
    """The day that the march begins with: 0, or the day on which water came."""
    base: int
    """Up to which day the readings had been taken in when the members were last moved."""
    population: Population

    @property
    def members(self) -> Members:
        """The members in their own units."""
        return members_of(self.population.scores, self.population.fed)

    @property
    def humidity(self) -> Array:
        """Pore humidity at the end of the last day, (n, cells)."""
        return self.population.told.kept[0]

    @property
    def concrete(self) -> Array:
        """Day means of pore humidity at the sleeve since the first day, (n, days); NaN before."""
        return self.population.told.kept[1]


def begin(slab: Slab, days: SleeveDays, first: int = 0, n: int = POSTERIOR.members) -> Ensemble:
    """The prior, before the day `first`."""
    rng = slab.generator(float(days.end_s[first]) - 1.0)
    scores, fed = draw_prior(n, SCORES, slab.p_fed, rng)
    profile = first_profile(members_of(scores, fed), slab.grid)
    told = Evaluated(np.zeros(n), np.zeros(n), (profile, np.full((n, first), np.nan)))
    return Ensemble(first, first, first, Population(scores, fed, np.zeros(n), told))


def next_day(slab: Slab, days: SleeveDays, ensemble: Ensemble) -> Ensemble:
    """The ensemble a day later."""
    day, first, population = ensemble.count, ensemble.first, ensemble.population
    members = ensemble.members
    humidity, means = march(members, slab.grid, ensemble.humidity, days.air(day, day + 1))
    concrete = np.concatenate([ensemble.concrete, means.T], axis=1)
    kept = (humidity, concrete)
    if not np.isfinite(days.reading_pct[day]):
        told = Evaluated(population.told.before, population.told.now, kept)
        return replace(ensemble, count=day + 1, population=replace(population, told=told))
    now = _log_likelihood(days, day + 1, first, concrete, members)
    told = Evaluated(population.told.before, now, kept)
    population = replace(population, told=told, log_weight=now - told.before)

    def evaluate(scores: Array, fed: Flags) -> Evaluated:
        tried = members_of(scores, fed)
        humid, daily = march(tried, slab.grid, first_profile(tried, slab.grid), days.air(first, day + 1))
        course = np.concatenate([np.full((len(humid), first), np.nan), daily.T], axis=1)
        before = _log_likelihood(days, ensemble.base, first, course, tried)
        return Evaluated(before, _log_likelihood(days, day + 1, first, course, tried), (humid, course))

    moved = assimilate(population, evaluate, slab.p_fed, slab.generator(float(days.end_s[day])))
    if moved is population:
        return replace(ensemble, count=day + 1, population=population)
    moved = replace(moved, told=Evaluated(moved.told.now, moved.told.now, moved.told.kept))
    return Ensemble(day + 1, first, day + 1, moved)


def _log_likelihood(days: SleeveDays, count: int, first: int, concrete: Array, members: Members) -> Array:
    errors = error_model(days, count, first)
    residual = residuals(days, errors, concrete, members.air_tau_h)
    return over_levels(errors.log_likelihood(residual))
