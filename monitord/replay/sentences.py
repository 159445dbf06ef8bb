"""What a person would have read, as rows of `alerts.csv` and `states.csv`: English, times of the job's zone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.messages.alert_speaker import alert_speaker
from monitord.model.alerts import Alert
from monitord.model.assessments import State
from monitord.model.facts import Facts
from monitord.model.jobs import JobFile
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker
from monitord.text.states import state_sentence

ALERT_TEXTS = ("headline", "at_opening", "worst", "at_close", "closed_because")
STATES = (
    "made_at", "location", "state", "value", "unit", "u", "rate_per_day", "u_rate", "eta_lo", "eta_mid", "eta_hi",
    "sentence",
)  # fmt: skip


@dataclass(frozen=True)
class StateRow:
    """The state of a location as of a time."""

    at: datetime
    location: str
    state: State
    facts: Facts


def alert_texts(opened: Alert, last: Alert, job: JobFile, rules: AlertRules) -> tuple[str, ...]:
    """The texts of one episode: as it opened, at its worst, and at its end (empty while it is open).

    Parameters
    ----------
    opened : the alert as it stood when it opened.
    last : as it stood last.
    """
    said = alert_speaker(_speaker(job, last.closed_at or last.finding.measured_at), last, job, rules)
    at_opening = alert_speaker(_speaker(job, opened.opened_at or opened.finding.measured_at), opened, job, rules)
    closed = last.closed_at is not None
    return (
        said.headline(),
        at_opening.opening(),
        said.worst(),
        (said.key(last.finding) or "") if closed else "",
        said.because() if closed else "",
    )


def state_row(row: StateRow, job: JobFile) -> tuple[str, ...]:
    """One row of `states.csv`; sentence and numbers come from the same facts."""
    facts, speaker = row.facts, _speaker(job, row.at)
    open_end = facts.low is not None and facts.high is None
    return (
        z(row.at),
        row.location,
        row.state.value,
        _number(facts.value.value if facts.value else None),
        facts.value.unit if facts.value else "",
        _number(facts.value.u if facts.value else None),
        _number(facts.rate.value if facts.rate else None),
        _number(facts.rate.u if facts.rate else None),
        z(facts.low),
        "never" if facts.never else z(facts.middle),
        "never" if facts.never or open_end else z(facts.high),
        state_sentence(speaker, row.state, facts),
    )


def z(moment: datetime | None) -> str:
    """A time in UTC to the second; empty for none."""
    return "" if moment is None else moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _speaker(job: JobFile, now: datetime) -> Speaker:
    return Speaker(language(), job.zone, now)
