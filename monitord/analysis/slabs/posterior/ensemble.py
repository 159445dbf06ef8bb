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
from monitord.analysis.slabs.posterior.water import fed_since, rises, wetted
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
    base: int
    """Up to which day the readings had been taken in when the members were last moved."""
    population: Population
    skipped: tuple[int, ...] = ()
    """Days whose readings do not count: those about an event, and single ones that stood out."""
    event: int | None = None
    """The day on which water came; only the first counts."""

    @property
    def drawn(self) -> Members:
        """The members as they were drawn."""
        return members_of(self.population.scores, self.population.fed)

    @property
    def members(self) -> Members:
        """The members as they now are: fed if their supply has begun, or since the event."""
        return (self.drawn if self.event is None else fed_since(self.drawn)).on(self.count)

    @property
    def humidity(self) -> Array:
        """Pore humidity at the end of the last day, (n, cells)."""
        return self.population.told.kept[0]

    @property
    def concrete(self) -> Array:
        """Day means of pore humidity at the sleeve, (n, days)."""
        return self.population.told.kept[1]


def begin(slab: Slab, days: SleeveDays, n: int = POSTERIOR.members) -> Ensemble:
    """The prior, before the first day."""
    rng = slab.generator(float(days.end_s[0]) - 1.0)
    scores, fed = draw_prior(n, SCORES, slab.p_fed, rng)
    profile = first_profile(members_of(scores, fed), slab.grid)
    told = Evaluated(np.zeros(n), np.zeros(n), (profile, np.empty((n, 0))))
    moving = SCORES - POSTERIOR.event_scores
    return Ensemble(0, 0, Population(scores, fed, np.zeros(n), told, moving=moving))


def next_day(slab: Slab, days: SleeveDays, ensemble: Ensemble) -> Ensemble:
    """The ensemble a day later."""
    day, population = ensemble.count, ensemble.population
    members = ensemble.members
    humidity, means = march(members, slab.grid, ensemble.humidity, days.air(day, day + 1), day)
    concrete = np.ascontiguousarray(np.concatenate([ensemble.concrete, means.T], axis=1))
    told = population.told._replace(kept=(humidity, concrete))
    later = replace(ensemble, count=day + 1, population=replace(population, told=told))
    if not np.isfinite(days.reading_pct[day]) or day in ensemble.skipped:
        return later
    if ensemble.event is None and rises(days, ensemble.skipped, concrete, members.air_tau_h, population.weights):
        skipped = replace(later, skipped=(*ensemble.skipped, day))
        before = [k for k in range(day) if np.isfinite(days.reading_pct[k])]
        if before and before[-1] in ensemble.skipped:
            return _with_water(slab, days, skipped, before[-1])
        return skipped
    return _taken_in(slab, days, later)


def _with_water(slab: Slab, days: SleeveDays, ensemble: Ensemble, event: int) -> Ensemble:
    """The ensemble with water that came on the day `event`: its scores drawn afresh, its days marched anew."""
    population, count = ensemble.population, ensemble.count
    rng = slab.generator(float(days.end_s[count - 1]) + 2.0)
    scores = population.scores.copy()
    scores[:, -POSTERIOR.event_scores :] = draw_prior(len(scores), POSTERIOR.event_scores, 0.0, rng)[0]
    kept = marched(slab, days, members_of(scores, population.fed), count, event)
    told = population.told._replace(kept=kept)
    population = replace(population, scores=scores, told=told, moving=None, scale=POSTERIOR.first_step)
    about = range(event, event + POSTERIOR.water_days)
    return replace(ensemble, population=population, event=event, skipped=tuple({*ensemble.skipped, *about}))


def _taken_in(slab: Slab, days: SleeveDays, ensemble: Ensemble) -> Ensemble:
    """The ensemble once the reading of its last day is taken in."""
    count, skipped, population = ensemble.count, ensemble.skipped, ensemble.population
    now = _log_likelihood(days, count, skipped, ensemble.concrete, ensemble.drawn)
    told = population.told._replace(now=now)
    population = replace(population, told=told, log_weight=now - told.before)

    def evaluate(scores: Array, fed: Flags) -> Evaluated:
        tried = members_of(scores, fed)
        kept = marched(slab, days, tried, count, ensemble.event)
        before = _log_likelihood(days, ensemble.base, skipped, kept[1], tried)
        return Evaluated(before, _log_likelihood(days, count, skipped, kept[1], tried), kept)

    moved = assimilate(population, evaluate, slab.p_fed, slab.generator(float(days.end_s[count - 1])))
    if moved is population:
        return replace(ensemble, population=population)
    moved = replace(moved, told=moved.told._replace(before=moved.told.now))
    return replace(ensemble, base=count, population=moved)


def marched(slab: Slab, days: SleeveDays, members: Members, count: int, event: int | None) -> tuple[Array, Array]:
    """Pore humidity after so many days, (n, cells), and day means at the sleeve, (n, count); `event`: day of water.

    Both row by row in memory, as `next_day` leaves them: sums over rows that lie otherwise are rounded otherwise.
    """
    profile = first_profile(members, slab.grid)
    if event is None:
        humidity, means = march(members, slab.grid, profile, days.air(0, count))
        return humidity, np.ascontiguousarray(means.T)
    humidity, means = march(members, slab.grid, profile, days.air(0, event))
    humidity = wetted(members, slab.grid, humidity)
    humidity, after = march(fed_since(members), slab.grid, humidity, days.air(event, count), event)
    return humidity, np.ascontiguousarray(np.concatenate([means, after]).T)


def _log_likelihood(days: SleeveDays, count: int, skipped: tuple[int, ...], concrete: Array, members: Members) -> Array:
    errors = error_model(days, count, skipped)
    residual = residuals(days, errors, concrete, members.air_tau_h)
    return over_levels(errors.log_likelihood(residual))
