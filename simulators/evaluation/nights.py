"""The night ahead: was condensation on a cold surface foretold in the evening?"""

from __future__ import annotations

import math
import statistics
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from simulators.evaluation.matching import DAY_S, HOUR_S, Item
from simulators.evaluation.records import Case, NightRecord, Verdicts

EVENING = time(18)
NIGHT_H = 15
_FRESH_S = 6.5 * HOUR_S
_NEAR_K = 0.5
"""Nights whose least margin lies within this of the dew point do not count."""


@dataclass
class NightScore:
    """Nights of all cold surfaces; scores of several jobs add up."""

    wet: int = 0
    """Nights with condensation."""
    foretold: int = 0
    dry: int = 0
    cried: int = 0
    """Nights without, for which it was foretold."""
    unsaid: int = 0
    """Of all these nights: nothing was said of them; counts as foretelling a dry one."""
    leads_s: list[float] = field(default_factory=list)
    """From the evening to the first hour with condensation, where it was foretold."""
    errors_k: list[float] = field(default_factory=list)
    """Errors of the night's least margin."""
    items: list[Item] = field(default_factory=list)

    def add(self, other: NightScore) -> None:
        """Take another job's score in."""
        for name in ("wet", "foretold", "dry", "cried", "unsaid"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.leads_s += other.leads_s
        self.errors_k += other.errors_k
        self.items += other.items

    @property
    def median_error_k(self) -> float:
        """Median absolute error of a night's least margin. [K]"""
        return statistics.median(self.errors_k) if self.errors_k else float("nan")


def evenings(zone: str, start_s: float, end_s: float) -> Iterator[float]:
    """Each evening of a job, at the site's own time, after which the night ends within the job."""
    at = datetime.combine(datetime.fromtimestamp(start_s, UTC).date(), EVENING, ZoneInfo(zone))
    while at.timestamp() + NIGHT_H * HOUR_S <= end_s:
        if at.timestamp() >= start_s + DAY_S:
            yield at.timestamp()
        at += timedelta(days=1)


def score_nights(case: Case, said: Verdicts) -> NightScore:
    """Score the nights of one job."""
    score, truth = NightScore(), case.truth
    for key, margins in case.margins_k.items():
        rows = sorted((n for n in said.nights if n.location == key), key=lambda n: n.made_s)
        times = [row.made_s for row in rows]
        for at in evenings(case.job["timezone"], truth.start_s, truth.end_s):
            if not any(a < at and b >= at for a, b in truth.locations[key].watched):
                continue
            first = int((at - truth.start_s) / HOUR_S)
            newest = bisect_right(times, at) - 1
            row = rows[newest] if newest >= 0 and at - times[newest] < _FRESH_S else None
            _night(score, case, key, at, margins[first : first + NIGHT_H], row)
    return score


def _night(score: NightScore, case: Case, key: str, at: float, margins: list[float], row: NightRecord | None) -> None:
    minimum, said = min(margins), None
    if row is not None:
        skip = int((at - row.made_s) / HOUR_S)
        known = [m for m in row.margins_k[skip : skip + NIGHT_H] if not math.isnan(m)]
        said = min(known, default=None)
    if said is not None:
        score.errors_k.append(abs(said - minimum))
    if abs(minimum) < _NEAR_K:
        return
    score.unsaid += said is None
    told = said is not None and said <= 0.0
    day = (at - case.truth.start_s) / DAY_S
    words = f"least margin {minimum:.1f} K, said {'nothing' if said is None else f'{said:.1f} K'}"
    if minimum < 0.0:
        score.wet += 1
        score.foretold += told
        if told:
            score.leads_s.append(HOUR_S * next(k for k, m in enumerate(margins) if m < 0.0))
        else:
            score.items.append(Item("night ahead", "not foretold", case.name, key, day, words))
        return
    score.dry += 1
    score.cried += told
    if told:
        score.items.append(Item("night ahead", "false", case.name, key, day, words))
