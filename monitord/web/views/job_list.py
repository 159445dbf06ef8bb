"""Jobs as cards: those that need someone first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.messages import Pause
from monitord.web.queries import JobState
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import STATES, StatusStyle, style_of
from monitord.web.views.alert_view import alert_views
from monitord.web.views.job_view import day_words, lead


@dataclass(frozen=True)
class JobCard:
    """One job in the list."""

    id: str
    label: str
    style: StatusStyle
    lead: str
    day: str
    probes: str
    heard: datetime | None
    ended: bool
    times: LocalTimes
    pause: Pause | None


def job_cards(states: Iterable[JobState], options: AnalysisOptions, rules: AlertRules) -> list[JobCard]:
    """The cards, running jobs first, the most pressing at the top."""
    cards = [_card(state, options, rules) for state in states]
    return sorted(cards, key=lambda card: (card.ended, card.style.rank, card.id))


def _card(state: JobState, options: AnalysisOptions, rules: AlertRules) -> JobCard:
    times = LocalTimes(state.job.zone, state.now)
    alerts = alert_views(state.alerts, {state.job.job: state.job}, {state.job.job: times}, rules)
    placements = state.placements_now
    return JobCard(
        id=state.job.job,
        label=state.job.label,
        style=_look(state, [alert.style for alert in alerts if not alert.inhibited_why]),
        lead=lead(state, alerts),
        day=day_words(state, times),
        probes=f"{state.count_heard(options)} of {len(placements)} probes" if placements else "no probes placed",
        heard=state.last_heard,
        ended=state.ended,
        times=times,
        pause=state.pause,
    )


def _look(state: JobState, alerts: list[StatusStyle]) -> StatusStyle:
    """The most pressing alert; without one, the worst state of its locations; over jobs are over."""
    if state.ended:
        return StatusStyle("Ended", "none", "ok", 20)
    if alerts:
        return min(alerts, key=lambda style: style.rank)
    if state.assessment is None:
        return StatusStyle("Awaiting readings", "go", "wait", 9)
    styles = [style_of(location) for location in state.locations]
    worst = min(styles, key=lambda style: style.rank, default=STATES[next(iter(STATES))])
    return StatusStyle(worst.word, worst.tone, worst.icon, 4 + worst.rank)
