"""Forecasts of the time at which a goal is met, judged day by day while it is not yet met."""

from __future__ import annotations

import math
import statistics
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field

from monitord.replay.run import parse_time
from simulators.evaluation.matching import DAY_S, HOUR_S, Item
from simulators.evaluation.records import Case, ForecastRecord, Span, Verdicts
from simulators.truth.records import LocationTruth

_FRESH_S = DAY_S
"""A forecast counts for the day after it was made."""
_MIN_LEFT_S = DAY_S
"""Errors relative to less than this are not formed."""


@dataclass
class ForecastScore:
    """Forecasts of all location-days; scores of several jobs add up."""

    covered: int = 0
    intervals: int = 0
    covered_calm: int = 0
    intervals_calm: int = 0
    """The same of days after which nothing happened until the goal was met that nobody could foresee."""
    errors: dict[int, list[float]] = field(default_factory=lambda: {1: [], 2: [], 3: []})
    """Relative errors of the time left, by third of the time to the goal."""
    errors_calm: dict[int, list[float]] = field(default_factory=lambda: {1: [], 2: [], 3: []})
    reachable: int = 0
    dated: int = 0
    never_days: int = 0
    never_said: int = 0
    """Of those days, how many were given `never`."""
    said_never: int = 0
    said_never_right: int = 0
    items: list[Item] = field(default_factory=list)

    def add(self, other: ForecastScore) -> None:
        """Take another job's score in."""
        for name in ("covered", "intervals", "covered_calm", "intervals_calm", "reachable", "dated", "never_days",
                     "never_said", "said_never", "said_never_right"):  # fmt: skip
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for third in (1, 2, 3):
            self.errors[third] += other.errors[third]
            self.errors_calm[third] += other.errors_calm[third]
        self.items += other.items

    def median_error(self, *thirds: int, calm: bool = False) -> float:
        """Median relative error of the time left in these thirds."""
        kept = self.errors_calm if calm else self.errors
        errors = [e for third in thirds for e in kept[third]]
        return statistics.median(errors) if errors else float("nan")


def score_forecasts(case: Case, said: Verdicts) -> ForecastScore:
    """Score the forecasts of one job."""
    total = ForecastScore()
    sealed = {p["id"]: p["sealed_at"] for p in case.job["locations"]}
    for key, location in case.truth.locations.items():
        if location.goal is None or location.eta_reason == "beyond_horizon":
            continue
        score = ForecastScore()
        first = max(case.truth.start_s, parse_time(sealed[key]) if sealed.get(key) else 0.0)
        rows = sorted((r for r in said.forecasts if r.location == key), key=lambda r: r.made_s)
        changes = list(_changes(case, key, location))
        for at, row in _days(rows, first, case.truth.end_s, location):
            if not any(a < at and b > at - DAY_S for a, b in location.watched):
                continue  # nobody heard the probe on that day
            _day(score, case, location, at, row, changes)
        item = _summary(score, case, key, location)
        if item is not None:
            score.items.append(item)
        total.add(score)
    return total


def _days(
    rows: list[ForecastRecord], first_s: float, end_s: float, location: LocationTruth
) -> Iterator[tuple[float, ForecastRecord | None]]:
    """Each day on which the goal was not yet met, with the newest forecast of that day."""
    times = [row.made_s for row in rows]
    at = first_s + DAY_S
    while at <= end_s and (location.eta_s is None or at < location.eta_s):
        newest = bisect_right(times, at) - 1
        row = rows[newest] if newest >= 0 else None
        yield at, row if row is not None and at - row.made_s < _FRESH_S else None
        at += DAY_S


def _within(spans: list[Span], at_s: float, slack_s: float = 0.0) -> bool:
    return any(a - slack_s <= at_s <= b + slack_s for a, b in spans)


def _changes(case: Case, key: str, location: LocationTruth) -> Iterator[float]:
    """When something happened that bears on the location and that nobody could foresee."""
    beside = next((p["reference"] for p in case.job["locations"] if p["id"] == key), None)
    for lost in case.truth.drive_lost:
        if lost.matters and lost.room in (key, beside):
            yield from (lost.from_s, lost.to_s)
    for water in location.rewetting:
        if water.felt_s is not None:
            yield water.onset_s
    for room, at in case.moisture:
        if room in (key, beside):
            yield at
    for spell in case.truth.spells:
        yield from spell


def _day(
    score: ForecastScore,
    case: Case,
    location: LocationTruth,
    at: float,
    row: ForecastRecord | None,
    changes: list[float],
) -> None:
    never = _within(location.never_in_this_air, at)
    if never:
        score.never_days += 1
        score.never_said += row is not None and row.never
    if row is not None and row.never and (never or not _within(location.never_in_this_air, at, DAY_S)):
        score.said_never += 1
        score.said_never_right += never or location.eta_reason == "never"
    if never or location.eta_s is None:
        return
    score.reachable += 1
    if row is None or row.never or row.middle_s is None:
        return
    score.dated += 1
    _interval(score, case, location.eta_s, row, calm=not any(row.made_s < c < location.eta_s for c in changes))


def _interval(score: ForecastScore, case: Case, eta_s: float, row: ForecastRecord, calm: bool) -> None:
    low = row.low_s if row.low_s is not None else row.made_s
    high = math.inf if row.high_never or row.high_s is None else row.high_s
    covered = low - HOUR_S <= eta_s <= high + HOUR_S
    score.intervals += 1
    score.covered += covered
    score.intervals_calm += calm
    score.covered_calm += covered and calm
    left = eta_s - row.made_s
    if left < _MIN_LEFT_S or row.middle_s is None:
        return
    passed = (row.made_s - case.truth.start_s) / (eta_s - case.truth.start_s)
    third = 1 + min(2, int(3 * passed))
    error = abs(row.middle_s - eta_s) / left
    score.errors[third].append(error)
    if calm:
        score.errors_calm[third].append(error)


def _summary(score: ForecastScore, case: Case, key: str, location: LocationTruth) -> Item | None:
    """One line about a location's forecasts, where some are poor."""
    parts = []
    if score.reachable and score.dated < 0.9 * score.reachable:
        parts.append(f"dated on {score.dated} of {score.reachable} days")
    if score.intervals and score.covered < 0.6 * score.intervals:
        parts.append(f"interval held {score.covered} of {score.intervals} times")
    error = score.median_error(2, 3)
    if error > 0.4:
        parts.append(f"median relative error after a third {error:.2f}")
    if score.never_said < 0.8 * score.never_days:
        parts.append(f"never said on {score.never_said} of {score.never_days} days of never")
    if score.said_never_right < score.said_never:
        parts.append(f"never said wrongly on {score.said_never - score.said_never_right} days")
    if not parts:
        return None
    day = math.nan if location.eta_s is None else (location.eta_s - case.truth.start_s) / DAY_S
    metric = (
        "" if location.goal is None else f"{location.goal['metric']} {location.goal['limit']:g} ({location.eta_reason})"
    )
    return Item("forecast", "poor", case.name, key, day, f"{metric}: {'; '.join(parts)}")
