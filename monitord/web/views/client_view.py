"""A job in plain words for who lives there: no percentages, pressures or probe numbers; dates as estimates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from monitord.model.assessments import LocationAssessment, State
from monitord.model.jobs import Location
from monitord.web.queries import JobState
from monitord.web.text.local_time import LocalTimes
from monitord.web.views.progress_bar import GOAL_X, ProgressBar, progress_bar_of

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
_EARLY = frozenset({State.SETTLING, State.EQUILIBRATING, State.TOO_EARLY})
_ON_THE_WAY = frozenset({State.DRYING, State.DRYING_SLOWLY, State.NO_CLEAR_TREND})


@dataclass(frozen=True)
class ClientRow:
    """How far one part of the home is."""

    name: str
    words: str
    tone: str
    icon: str
    progress_bar: ProgressBar | None


@dataclass(frozen=True)
class ClientView:
    """The whole page."""

    head: str
    text: str
    tone: str
    icon: str
    rows: Sequence[ClientRow]


def client_view(state: JobState, times: LocalTimes) -> ClientView:
    """What a client is told: whether it is dry, when, and how far each part is."""
    found = []
    for location in state.job.locations:
        assessed = state.assessment.at(location.id) if state.assessment is not None else None
        if state.goals_met(location) is not None:
            found.append((location, assessed))
    rows = [_row(location, assessed, times, met=bool(state.goals_met(location))) for location, assessed in found]
    met = [bool(state.goals_met(location)) for location, _ in found]
    return _whole(state, [assessed for _, assessed in found], rows, met, times)


def _whole(
    state: JobState,
    found: Sequence[LocationAssessment | None],
    rows: Sequence[ClientRow],
    met: Sequence[bool],
    times: LocalTimes,
) -> ClientView:
    if not found:
        return ClientView("Nothing to report yet.", "The measuring has not begun.", "none", "i-wait", rows)
    states = [State.NO_DATA if assessed is None else assessed.state for assessed in found]
    dry = sum(met)
    if dry == len(states):
        text = (
            "Every part that we measure has reached its goal. Wait for our report before you cover or paint anything."
        )
        return ClientView("Dry, by what we measure.", text, "ok", "i-ok", rows)
    ended = " The drying has ended." if state.ended else ""
    are = "is" if dry == 1 else "are"
    text = f"{dry} of {len(states)} parts {are} dry.{_last_date(found, met, times)}{ended}{_trouble(states)}"
    return ClientView("Not dry yet.", text, "watch", "i-wait", rows)


def _last_date(found: Sequence[LocationAssessment | None], met: Sequence[bool], times: LocalTimes) -> str:
    """When the last part is probably dry; said only where each part that is not dry has a date."""
    ends: list[tuple[datetime, datetime]] = []
    for assessed, is_met in zip(found, met, strict=True):
        if is_met:
            continue
        forecast = None if assessed is None or assessed.state not in _ON_THE_WAY else assessed.forecast
        if forecast is None or forecast.low is None or forecast.high is None or forecast.high_never:
            return " There is no date for all of it yet."
        ends.append((forecast.low, forecast.high))
    low, high = max(low for low, _ in ends), max(high for _, high in ends)
    return f" The last is probably dry {_between(low, high, times)}."


def _trouble(states: Sequence[State]) -> str:
    wetter = states.count(State.REWETTING)
    held = sum(one in (State.STALLED, State.OUT_OF_REACH, State.NOT_DRYING) for one in states)
    said = ""
    if wetter:
        said += " One part is getting wetter again." if wetter == 1 else f" {wetter} parts are getting wetter again."
    if held:
        said += " One part is not getting drier just now." if held == 1 else f" {held} parts are not getting drier now."
    return said


def _row(location: Location, assessed: LocationAssessment | None, times: LocalTimes, *, met: bool) -> ClientRow:
    state = State.NO_DATA if assessed is None else assessed.state
    bar = progress_bar_of(assessed.drying) if assessed is not None and state is not State.NO_DATA else None
    if location.goal is None:
        words, tone, icon = ("dry", "ok", "i-ok") if met else ("still to be measured dry by hand", "go", "i-wait")
        return ClientRow(location.label, words, tone, icon, None)
    if assessed is None or state is State.NO_DATA:
        return ClientRow(location.label, "not known at the moment", "none", "i-q", None)
    if state is State.AT_GOAL and not met:
        return ClientRow(location.label, "dry by its probe; still to be measured by hand", "go", "i-wait", bar)
    if state is State.AT_GOAL:
        since = assessed.drying.since if assessed.drying is not None else None
        words = f"dry since {day(since, times)}" if since is not None else "dry"
        return ClientRow(location.label, words, "ok", "i-ok", bar)
    if state in _EARLY:
        return ClientRow(location.label, "too early to say", "go", "i-wait", bar)
    if state is State.REWETTING:
        return ClientRow(location.label, "getting wetter again", "act", "i-up", bar)
    if state in _ON_THE_WAY:
        return ClientRow(location.label, f"{_share(bar)}{_date(assessed, times)}", "go", "i-go", bar)
    return ClientRow(location.label, "not getting drier just now", "watch", "i-stall", bar)


def _share(bar: ProgressBar | None) -> str:
    share = 0.0 if bar is None else bar.done / GOAL_X
    if share < 1 / 3:
        return "has begun to dry"
    return "about half way" if share < 2 / 3 else "well on its way"


def _date(assessed: LocationAssessment, times: LocalTimes) -> str:
    forecast = assessed.forecast
    if forecast is None or forecast.low is None or forecast.high is None or forecast.high_never:
        return ", no date yet"
    return f", probably dry {_between(forecast.low, forecast.high, times)}"


def _between(low: datetime, high: datetime, times: LocalTimes) -> str:
    first, last = day(low, times), day(high, times)
    return f"about {first}" if first == last else f"between {first} and {last}"


def day(at: datetime, times: LocalTimes) -> str:
    """A day in full: `3 December`, with the year where it is not this one."""
    local = at.astimezone(times.zone)
    year = "" if local.year == times.now.astimezone(times.zone).year else f" {local.year}"
    return f"{local.day} {_MONTHS[local.month - 1]}{year}"
