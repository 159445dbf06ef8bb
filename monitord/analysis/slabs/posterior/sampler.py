"""Iterated batch importance sampling: a weighted population that follows a posterior as data arrive.

Chopin 2002 (Biometrika 89:539). The weights take in what is new; once few members carry most of the weight, they are
resampled and moved by Metropolis steps on the posterior itself, so that the population never collapses. Where one
day tells too much at once the likelihood is tempered in between (Del Moral, Doucet and Jasra 2006).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.model.series import Array, Flags


class Evaluated(NamedTuple):
    """What the data say of members, each (n,), and what is kept of each, first axis n."""

    before: Array
    """Log likelihood of the data already taken in."""
    now: Array
    """Log likelihood of all data."""
    kept: tuple[Array, ...]


Evaluate = Callable[[Array, Flags], Evaluated]


@dataclass(frozen=True)
class Population:
    """Members and their weights."""

    scores: Array
    """Standard normal scores, (n, k)."""
    fed: Flags
    """The one quantity that is yes or no, (n,)."""
    log_weight: Array
    told: Evaluated
    scale: float = POSTERIOR.first_step
    """Length of a Metropolis step, in standard deviations of the population."""
    moving: int | None = None
    """How many of the scores, the first, the data tell of and the steps move; None: all."""

    def __len__(self) -> int:
        return len(self.scores)

    @property
    def weights(self) -> Array:
        """Normalised weights, (n,)."""
        w = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(w / w.sum())


def draw_prior(n: int, dimensions: int, p_fed: float, rng: np.random.Generator) -> tuple[Array, Flags]:
    """Scores (n, dimensions) and yes-or-no (n,) from the prior: a scrambled Sobol sequence, n a power of two."""
    from scipy.stats import qmc  # half a second, which no start of the program need wait for

    share = qmc.Sobol(dimensions + 1, scramble=True, seed=rng).random(n)
    return np.asarray(ndtri(np.clip(share[:, :-1], 1e-9, 1.0 - 1e-9))), np.asarray(share[:, -1] < p_fed)


def effective_size(log_weight: Array) -> float:
    """Effective number of members, 1/sum w² (Kong, Liu and Wong 1994)."""
    w = np.exp(log_weight - log_weight.max())
    return float(w.sum() ** 2 / (w @ w))


def systematic(weights: Array, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Indices of a systematic resample (Kitagawa 1996), (count,)."""
    at = (np.arange(count) + rng.random()) / count
    return np.minimum(np.searchsorted(np.cumsum(weights), at), len(weights) - 1)


def assimilate(population: Population, evaluate: Evaluate, p_fed: float, rng: np.random.Generator) -> Population:
    """Take in what is new: `population.told` is already evaluated with it, its weights hold what was taken in before.

    `log_weight` is the log likelihood gained since the population was last moved.
    """
    n = len(population)
    if effective_size(population.log_weight) >= POSTERIOR.min_ess_share * n:
        return population
    # told.before is where the weights were equal, told.now the target; go there in stages of a bearable size
    share = 0.0
    while share < 1.0:
        gain = population.told.now - population.told.before
        new = _next_share(gain, share, n)
        population = _resample(replace(population, log_weight=(new - share) * gain), rng)
        for _ in range(POSTERIOR.moves):
            population = _move(population, evaluate, new, p_fed, rng)
        share = new
    return replace(population, log_weight=np.zeros(n))


def _next_share(gain: Array, share: float, n: int) -> float:
    """How far the likelihood may be raised from `share` so that the effective size stays, at most 1."""
    if effective_size((1.0 - share) * gain) >= POSTERIOR.temper_ess_share * n:
        return 1.0
    low, high = 0.0, 1.0 - share
    for _ in range(POSTERIOR.bisections):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective_size(middle * gain) >= POSTERIOR.min_ess_share * n else (low, middle)
    return share + max(low, POSTERIOR.min_stage)


def _resample(population: Population, rng: np.random.Generator) -> Population:
    which = systematic(population.weights, len(population), rng)
    told = population.told
    return replace(
        population,
        scores=population.scores[which],
        fed=population.fed[which],
        log_weight=np.zeros(len(which)),
        told=Evaluated(told.before[which], told.now[which], tuple(x[which] for x in told.kept)),
    )


def _move(
    population: Population, evaluate: Evaluate, share: float, p_fed: float, rng: np.random.Generator
) -> Population:
    """One Metropolis step of all members at once, on prior times likelihood with what is new raised to `share`."""
    n, k = population.scores[:, : population.moving].shape
    spread = np.cov(population.scores[:, :k], rowvar=False).reshape(k, k) + POSTERIOR.proposal_floor * np.eye(k)
    length = population.scale * np.exp(POSTERIOR.step_log_sd * rng.standard_normal(n))[:, None]
    scores = population.scores.copy()
    scores[:, :k] += length * (rng.standard_normal((n, k)) @ np.linalg.cholesky(spread).T)
    flip = (rng.random(n) < POSTERIOR.flip_probability) & (0.0 < p_fed < 1.0)
    fed = population.fed ^ flip
    told, old = evaluate(scores, fed), population.told
    odds = 0.0 if not 0.0 < p_fed < 1.0 else float(np.log(p_fed / (1.0 - p_fed)))
    gain = _at(told, share) - _at(old, share) + odds * (fed.astype(float) - population.fed)
    gain += 0.5 * (np.einsum("ij,ij->i", population.scores, population.scores) - np.einsum("ij,ij->i", scores, scores))
    taken = np.log(rng.random(n)) < gain

    def chosen(new: Array, before: Array) -> Array:
        return np.where(taken.reshape(-1, *[1] * (new.ndim - 1)), new, before)

    scale = population.scale * np.exp(taken.mean() - POSTERIOR.accepted_share)
    kept = tuple(chosen(a, b) for a, b in zip(told.kept, old.kept, strict=True))
    return replace(
        population,
        scores=chosen(scores, population.scores),
        fed=np.where(taken, fed, population.fed),
        told=Evaluated(chosen(told.before, old.before), chosen(told.now, old.now), kept),
        scale=float(np.clip(scale, POSTERIOR.min_step, POSTERIOR.max_step)),
    )


def _at(told: Evaluated, share: float) -> Array:
    return told.before + share * (told.now - told.before)
