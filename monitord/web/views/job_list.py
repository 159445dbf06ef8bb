"""All jobs: those that need a person today as cards, the others as one line each; searched and filtered."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from urllib.parse import urlencode

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.model.assessments import LocationAssessment, State
from monitord.model.messages import Pause
from monitord.model.units import Units
from monitord.web.kept import Kept
from monitord.web.queries import JobState, as_read
from monitord.web.text.formats import magnitude
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import STATES, StatusStyle, english, style_of
from monitord.web.views.alert_view import alert_views
from monitord.web.views.damage_view import spot_goal_row
from monitord.web.views.job_view import day_words, lead
from monitord.web.views.location_view import dry_words, location_view
from monitord.web.views.needs import Need, Needs, lowered, needs_of

_SOON = timedelta(days=7)

OVER = StatusStyle("Ended", "none", "ok", 23)
PAUSED = StatusStyle("Alerts paused", "none", "wait", 21)
AWAITING = StatusStyle("Awaiting readings", "none", "wait", 22)
_QUIET_FROM = 20
"""Rank from which on a job needs no look."""


class Show(StrEnum):
    """Which jobs are listed."""

    ALL = "all"
    TODAY = "today"
    WEEK = "week"
    PROBES = "probes"
    SOON = "soon"


SHOWN_AS = {
    Show.ALL: "All",
    Show.TODAY: "Today",
    Show.WEEK: "This week",
    Show.PROBES: "Probes",
    Show.SOON: "Dry within a week",
}


@dataclass(frozen=True)
class JobRow:
    """One job in the list."""

    id: str
    label: str
    style: StatusStyle
    needs: Needs
    lead: str
    doing: str
    """What stands behind its state, in a few words."""
    at_goal: int
    with_goal: int
    dry: str
    dry_by: datetime | None
    """The latest likely day of its last location; None: not known."""
    day: str
    last_seen_at: datetime | None
    ended: bool
    times: LocalTimes
    pause: Pause | None
    words: str
    """What a search looks through, in small letters."""

    @property
    def first(self) -> Need | None:
        """What needs somebody first today."""
        return next(iter(self.needs.today), None)

    @property
    def quiet(self) -> bool:
        """Whether nobody needs to look: all at goal, paused, not begun or over."""
        return self.style.rank >= _QUIET_FROM

    def shown(self, show: Show, now: datetime) -> bool:
        """Whether a filter lets it through."""
        match show:
            case Show.TODAY:
                return bool(self.needs.today)
            case Show.WEEK:
                return bool(self.needs.week)
            case Show.PROBES:
                return any(need.style.icon == "q" for need in (*self.needs.today, *self.needs.week))
            case Show.SOON:
                return self.dry_by is not None and not self.ended and self.dry_by - now <= _SOON
            case Show.ALL:
                return True


def job_rows(states: Iterable[JobState], rules: AlertRules, units: Units = Units.METRIC) -> list[JobRow]:
    """Every job, the most pressing first, then by when it will be dry."""
    rows = [_row(as_read(state, units), rules, units) for state in states]
    latest = datetime.max.replace(tzinfo=rows[0].times.now.tzinfo) if rows else None
    return sorted(rows, key=lambda row: (row.style.rank, row.dry_by or latest, row.id))


def found(rows: Sequence[JobRow], query: str) -> list[JobRow]:
    """The jobs in whose name, locations or probes every word of a query stands."""
    words = query.casefold().split()
    return [row for row in rows if all(word in row.words for word in words)]


@dataclass(frozen=True)
class Chip:
    """One filter, as a link."""

    words: str
    count: int
    url: str
    current: bool


def chips_of(rows: Sequence[JobRow], current: Show, query: str, now: datetime) -> list[Chip]:
    """The filters over what a search left, with how many jobs each leaves; those that leave none are left out."""
    chips = []
    for show, words in SHOWN_AS.items():
        count = sum(row.shown(show, now) for row in rows)
        asked = ({} if show is Show.ALL else {"show": show.value}) | ({"q": query} if query else {})
        if count or show in (Show.ALL, current):
            chips.append(Chip(words, count, f"/?{urlencode(asked)}" if asked else "/", show is current))
    return chips


def quiet_said(rows: Iterable[JobRow]) -> str:
    """`3 at goal, 1 alerts paused, 4 ended`."""
    counts = Counter(row.style.word for row in rows if row.quiet)
    return ", ".join(f"{n} {lowered(word)}" for word, n in counts.items())


def needs_now(state: JobState, rules: AlertRules, units: Units = Units.METRIC) -> Needs:
    """What of a job needs a person; numbers of `state` are as they are read."""
    times = LocalTimes(state.job.zone, state.now)
    alerts = alert_views(state.alerts, {state.job.job: state.job}, {state.job.job: times}, rules, units)
    views = [location_view(state, location, times, units) for location in state.job.locations]
    return needs_of(state, alerts, views)


_KEPT: Kept[JobRow] = Kept(1000)


def _row(state: JobState, rules: AlertRules, units: Units) -> JobRow:
    """A job's row; what it says of the present beside the last reading is named here."""
    times, job = LocalTimes(state.job.zone, state.now), state.job
    spots = tuple(spot_goal_row(job, one, state.now) for one in job.locations if one.spot_goal is not None)
    present = (times.year, state.ended, day_words(state, times), spots)
    made_of = (job, state.assessment, tuple(state.alerts), state.pause, rules, present)
    made = _KEPT.of((job.job, units, english().name), made_of, lambda: _made(state, times, rules, units))
    return replace(made, last_seen_at=state.last_seen_at, times=times)


def _made(state: JobState, times: LocalTimes, rules: AlertRules, units: Units) -> JobRow:
    job = state.job
    needs = needs_now(state, rules, units)
    goals = {location.id for location in job.locations if location.goal is not None}
    judged = [location for location in state.locations if location.location in goals]
    met = [found for location in job.locations if (found := state.goals_met(location)) is not None]
    style = _look(state, needs, done=bool(met) and all(met))
    last = _last(judged)
    return JobRow(
        id=job.job,
        label=job.label,
        style=style,
        needs=needs,
        lead=lead(state, needs),
        doing=_doing(state, needs, style, last),
        at_goal=sum(met),
        with_goal=len(met),
        dry=_dry(state, judged, last, times) if met and not state.ended else "",
        dry_by=last.forecast.high if last is not None and last.forecast is not None else None,
        day=day_words(state, times).removesuffix(" of drying"),
        last_seen_at=None,
        ended=state.ended,
        times=times,
        pause=state.pause,
        words=" ".join(
            (job.job, job.label, *(location.label for location in job.locations), *(p.probe for p in job.probes))
        ).casefold(),
    )


def _look(state: JobState, needs: Needs, *, done: bool) -> StatusStyle:
    """Its most pressing need; without one, the worst state of its locations; quiet jobs last."""
    if state.ended:
        return OVER
    if state.pause is not None:
        return PAUSED
    if state.assessment is None or not state.locations:
        return AWAITING
    if needs.first is not None:
        tier = 0 if needs.today else 1
        name = needs.first.what
        return StatusStyle(f"{name[:1].upper()}{name[1:]}", needs.first.style.tone, needs.first.style.icon, tier)
    if done:
        return StatusStyle(STATES[State.AT_GOAL].word, "ok", "ok", _QUIET_FROM)
    worst = min((style_of(location) for location in state.locations), key=lambda style: style.rank)
    return StatusStyle(worst.word, worst.tone, worst.icon, 2 + worst.rank)


def _last(judged: Sequence[LocationAssessment]) -> LocationAssessment | None:
    """The location that will be dry last, where each that is not at its goal has a date."""
    open_ones = [location for location in judged if location.state is not State.AT_GOAL]
    if any(one.forecast is None or one.forecast.high is None for one in open_ones):
        return None
    return max(open_ones, key=lambda one: one.forecast.high, default=None)  # type: ignore[union-attr,arg-type,return-value]


def _doing(state: JobState, needs: Needs, style: StatusStyle, last: LocationAssessment | None) -> str:
    if style is PAUSED and state.pause is not None:
        return f"by {state.pause.author}: {state.pause.comment}"
    if style is AWAITING:
        return "No locations yet." if not state.job.locations else "No readings yet."
    if style is OVER:
        return ""
    if needs.first is not None:
        more = needs.n_today + needs.n_week - needs.first.size
        return f"{needs.first.place}{f', and {more} more' if more else ''}"
    if last is None or last.drying is None or last.drying.rate_per_day is None:
        return ""
    name = next(location.label for location in state.job.locations if location.id == last.location)
    return f"{name} is last: {magnitude(last.drying.rate_per_day)} a day"


def _dry(
    state: JobState, judged: Sequence[LocationAssessment], last: LocationAssessment | None, times: LocalTimes
) -> str:
    if last is not None:
        return dry_words(last, state.job.location(last.location), times)
    if any(one.state is State.OUT_OF_REACH or (one.forecast is not None and one.forecast.never) for one in judged):
        return "not in this air"
    met = [state.goals_met(location) for location in state.job.locations]
    if judged and all(one.state is State.AT_GOAL for one in judged):
        if False in met:
            return "spot reading to come"
        since = max((one.drying.since for one in judged if one.drying and one.drying.since), default=None)
        return f"since {times.day(since)}" if since is not None else "at goal"
    return "no date yet"
