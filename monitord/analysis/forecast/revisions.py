"""Whether the date at which a location is to be dry keeps moving away, by the forecasts that were made alone.

The history is an argument: the live daemon keeps it in the store, replay in memory, and both say the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from monitord.analysis.forecast.parameters import FORECAST
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.times import DAY_S
from monitord.model.assessments import Facts, Finding, Forecast, JobAssessment, State
from monitord.model.facts import NONE, FindingKind
from monitord.model.jobs import JobFile


@dataclass(frozen=True)
class Slip:
    """How the date has moved over the window."""

    days_a_day: float
    """Days by which the date moves for each day that passes, where it does so beyond uncertainty; else 0. [d/d]"""
    at_first: Forecast
    """The one in the middle of the first third of the window."""
    at_last: Forecast
    """The newest one."""
    days: int
    """Days of the window that have a forecast."""


class History:
    """The forecasts of one job's locations that still count.

    Parameters
    ----------
    kept : by location, what was kept before, oldest first.
    """

    def __init__(self, kept: Mapping[str, Sequence[Forecast]] | None = None) -> None:
        self._kept = {location: list(forecasts) for location, forecasts in (kept or {}).items()}
        self._slips: dict[str, tuple[Forecast, Slip | None]] = {}
        self._said: dict[str, tuple[Forecast, bool, Finding]] = {}

    def add(self, assessment: JobAssessment) -> list[tuple[str, Forecast]]:
        """Take in what an assessment forecasts, one of each location in `goals_every_s`; returns what is new."""
        new = []
        for location in assessment.locations:
            made, known = location.forecast, self._kept.setdefault(location.location, [])
            if made is not None and (not known or _slot(known[-1].made_at) < _slot(made.made_at)):
                new.append((location.location, made))
                known[:] = [one for one in known if one.made_at >= made.made_at - _window()] + [made]
        return new

    def newest(self, location: str) -> Forecast | None:
        """The newest forecast of a location."""
        known = self._kept.get(location)
        return known[-1] if known else None

    def slip(self, location: str) -> Slip | None:
        """How a location's date has moved; None where there is too little to tell."""
        newest = self.newest(location)
        if newest is None:
            return None
        known = self._slips.get(location)
        if known is None or known[0] is not newest:
            known = self._slips[location] = newest, slip_of(self._kept[location])
        return known[1]

    def said(self, location: str, newest: Forecast, stale: bool) -> Finding:
        """The finding about a location that is not at its goal; the same until there is a newer forecast."""
        known = self._said.get(location)
        if known is None or known[0] is not newest or known[1] is not stale:
            slip = self.slip(location)
            value = None if stale or slip is None else slip.days_a_day
            days, facts = (slip.days, _facts(slip)) if slip is not None else (0, Facts())
            known = newest, stale, _finding(location, newest.made_at, value, days, facts)
            self._said[location] = known
        return known[2]


def _window() -> timedelta:
    return timedelta(days=FORECAST.slip_window_d)


def history_span() -> timedelta:
    """How far back the forecasts matter: those before the newest one, which may be stale."""
    return _window() + timedelta(days=FORECAST.slip_stale_d)


def _slot(time: datetime) -> int:
    return int(time.timestamp() // ASSESSMENT.goals_every_s)


def slip_of(history: Sequence[Forecast]) -> Slip | None:
    """How the date has moved over the last days of a history (oldest first); None: there is too little to tell.

    The rule: it slips where the median of what it moved by from day to day, over all pairs of days, is above 0, most
    steps led to a later date, and even the earliest likely date of now lies beyond the latest likely date of then: the
    two intervals, each to hold the goal four times in five, no longer share a day. Slow drying whose date was put late,
    or uncertainly, from the start is therefore not told of, however slow it is.
    """
    if not history or history[-1].middle is None:
        return None
    days: dict[int, Forecast] = {}
    for one in history:
        if one.middle is not None and one.made_at >= history[-1].made_at - _window():
            days[int(one.made_at.timestamp() // DAY_S)] = one
    daily = list(days.values())
    span = daily[-1].made_at - daily[0].made_at
    if len(daily) < FORECAST.slip_min_days or span < timedelta(days=FORECAST.slip_min_span_d):
        return None
    third = max(2, len(daily) // FORECAST.slip_parts)
    first, last = daily[:third], daily[-third:]
    moved = _days_a_day(daily) if _beyond_uncertainty(daily, first, last) else 0.0
    return Slip(max(0.0, moved), first[third // 2], daily[-1], len(daily))


def _beyond_uncertainty(daily: Sequence[Forecast], first: Sequence[Forecast], last: Sequence[Forecast]) -> bool:
    dates = [_date_d(one.middle) for one in daily]
    later = sum(b > a for a, b in pairwise(dates)) / (len(dates) - 1)
    to_go = dates[-1] - _date_d(daily[-1].made_at)
    latest_then = median(_date_d(one.high) for one in first)
    earliest_now = median(_date_d(one.low) for one in last)
    slips = later >= FORECAST.slip_later_share and to_go >= FORECAST.slip_min_to_go_d
    return slips and earliest_now > latest_then


def _days_a_day(daily: Sequence[Forecast]) -> float:
    """Theil and Sen's slope of the dates over the days on which they were made. [d/d]"""
    points = [(_date_d(one.made_at), _date_d(one.middle)) for one in daily]
    return median((y2 - y1) / (x2 - x1) for i, (x1, y1) in enumerate(points) for x2, y2 in points[i + 1 :])


def _date_d(moment: datetime | None) -> float:
    return float("inf") if moment is None else moment.timestamp() / DAY_S


def forecast_revisions(job: JobFile, assessment: JobAssessment, history: History) -> list[Finding]:
    """For each location with a goal and forecasts whether its date keeps moving away; unknown where that can't be told.

    Parameters
    ----------
    history : with what this assessment forecasts already in it.
    """
    found, with_goal = [], {location.id for location in job.locations if location.goal is not None}
    for location in assessment.locations:
        newest = history.newest(location.location)
        if newest is None or location.location not in with_goal:
            continue
        if location.state is State.AT_GOAL:
            found.append(_finding(location.location, assessment.as_of, 0.0))
            continue
        stale = assessment.as_of - newest.made_at > timedelta(days=FORECAST.slip_stale_d)
        found.append(history.said(location.location, newest, stale))
    return found


def _finding(location: str, measured_at: datetime, value: float | None, days: int = 0, facts: Facts = NONE) -> Finding:
    return Finding(
        kind=FindingKind.FORECAST_SLIPPING,
        location=location,
        measured_at=measured_at,
        value=value,
        unit="d/d",
        readings=days,
        interval_s=ASSESSMENT.goals_every_s,
        facts=facts,
    )


def _facts(slip: Slip) -> Facts:
    then, now = slip.at_first, slip.at_last
    return Facts(
        low=now.low,
        middle=now.middle,
        high=now.high,
        earlier_made_at=then.made_at,
        earlier_low=then.low,
        earlier_high=then.high,
    )
