"""How good forecasts of condensation in the coming day are: hits, false alarms, lead, depth, coverage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Evening:
    """One evening at one cold surface: what came, and what was known of it before."""

    condensing: bool
    """Whether the surface already condensed at some time in the day before."""
    came: bool
    """Whether it condensed for half an hour or more in the 24 hours that followed."""
    came_after_h: float | None
    """Hours until it did."""
    lowest_k: float
    """Least true margin of those hours. [K]"""
    place: str = ""
    """Job and location, whose own share of evenings with condensation is its climatology."""


@dataclass(frozen=True)
class NightForecast:
    """What one forecaster says of an evening."""

    probability: float
    after_h: float | None
    """Hours until condensation is expected; None: it is not."""
    lowest_k: float
    u_lowest_k: float | None


@dataclass
class NightScore:
    """One forecaster over many evenings."""

    name: str
    limit: float
    """Probability from which it counts as an alarm."""
    rows: list[tuple[Evening, NightForecast]] = field(default_factory=list)

    def rate(self, came: bool, fresh: bool) -> tuple[float, int]:
        """Share of alarms among the evenings that condensation followed, or did not; and how many there were.

        Parameters
        ----------
        fresh : only evenings before which it had not condensed for a day.
        """
        picked = [said for was, said in self.rows if was.came is came and not (fresh and was.condensing)]
        return _share([said.probability >= self.limit for said in picked]), len(picked)

    def brier(self) -> float:
        """Mean squared error of the probability; 0 is perfect."""
        return _mean([(said.probability - was.came) ** 2 for was, said in self.rows])

    def climatology_brier(self) -> float:
        """Brier score of each place's own share of evenings that condensation followed, known beforehand."""
        return _mean([(self._shares()[was.place] - was.came) ** 2 for was, _ in self.rows])

    def persistence_brier(self) -> float:
        """Brier score of "as in the day before"."""
        return _mean([(was.condensing - was.came) ** 2 for was, _ in self.rows])

    def skill_over_climatology(self) -> float:
        """1 is perfect, 0 no better than the place's own share."""
        return _skill(self.brier(), self.climatology_brier())

    def skill_over_persistence(self) -> float:
        """1 is perfect, 0 no better than "as in the day before"."""
        return _skill(self.brier(), self.persistence_brier())

    def _shares(self) -> dict[str, float]:
        places: dict[str, list[float]] = {}
        for was, _ in self.rows:
            places.setdefault(was.place, []).append(float(was.came))
        return {place: _mean(came) for place, came in places.items()}

    def decomposition(self) -> Decomposition:
        """Reliability, resolution and uncertainty of the probabilities as they were said."""
        return decompose([said.probability for _, said in self.rows], [was.came for was, _ in self.rows])

    def reliability(self) -> list[tuple[float, float, int]]:
        """For each fifth of the probabilities: mean said, share that came, evenings."""
        table = []
        for low in (0.0, 0.2, 0.4, 0.6, 0.8):
            high = low + 0.2 if low < 0.8 else 1.01
            picked = [(said.probability, was.came) for was, said in self.rows if low <= said.probability < high]
            if picked:
                table.append((_mean([p for p, _ in picked]), _share([came for _, came in picked]), len(picked)))
        return table

    def lead_h(self, fresh: bool) -> float:
        """Median hours between the alarm and the condensation that it was right about."""
        return _median([was.came_after_h for was in self._hits(fresh)])

    def start_error_h(self) -> float:
        """Median absolute error of the hour from which it was expected."""
        return _median(
            [
                abs(said.after_h - was.came_after_h)
                for was, said in self.rows
                if was.came_after_h is not None and said.after_h is not None and said.probability >= self.limit
            ]
        )

    def depth_error_k(self) -> float:
        """Root mean square error of the least margin. [K]"""
        return float(np.sqrt(_mean([(said.lowest_k - was.lowest_k) ** 2 for was, said in self.rows])))

    def coverage(self) -> float:
        """Share of evenings whose least margin lies in the 80 % interval that was given."""
        inside = [
            abs(said.lowest_k - was.lowest_k) <= 1.2816 * said.u_lowest_k
            for was, said in self.rows
            if said.u_lowest_k is not None
        ]
        return _share(inside)

    def _hits(self, fresh: bool) -> list[Evening]:
        return [
            was
            for was, said in self.rows
            if was.came and said.probability >= self.limit and not (fresh and was.condensing)
        ]


@dataclass(frozen=True)
class Decomposition:
    """Brier score as reliability minus resolution plus uncertainty (Murphy 1973)."""

    reliability: float
    """How far what was said lies from what came; 0 is perfect."""
    resolution: float
    """How far the shares that came lie from their mean."""
    uncertainty: float
    """Of the event itself: share times (1 - share)."""

    @property
    def brier(self) -> float:
        """Their sum."""
        return self.reliability - self.resolution + self.uncertainty


def decompose(said: Sequence[float], came: Sequence[bool]) -> Decomposition:
    """Murphy's partition over the different probabilities that were said."""
    probability, outcome = np.asarray(said, dtype=float), np.asarray(came, dtype=float)
    mean = outcome.mean()
    reliability = resolution = 0.0
    for value in np.unique(probability):
        own = outcome[probability == value]
        reliability += len(own) * (value - own.mean()) ** 2 / len(outcome)
        resolution += len(own) * (own.mean() - mean) ** 2 / len(outcome)
    return Decomposition(float(reliability), float(resolution), float(mean * (1.0 - mean)))


def _skill(score: float, reference: float) -> float:
    return 1.0 - score / reference if reference > 0.0 else float("nan")


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def _share(values: Sequence[bool]) -> float:
    return _mean([float(v) for v in values])


def _median(values: Sequence[float | None]) -> float:
    known = [v for v in values if v is not None]
    return float(np.median(known)) if known else float("nan")
