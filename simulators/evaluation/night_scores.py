"""How good forecasts of condensation in the coming day are: hits, false alarms, lead, depth, honesty of the doubt."""

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


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def _share(values: Sequence[bool]) -> float:
    return _mean([float(v) for v in values])


def _median(values: Sequence[float | None]) -> float:
    known = [v for v in values if v is not None]
    return float(np.median(known)) if known else float("nan")
