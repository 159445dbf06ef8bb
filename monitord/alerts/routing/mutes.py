"""Whether someone wished not to be told: mutes and maintenance windows, computed from `as_of`.

A mute never changes an alert's state. At its end the decision whether to tell is simply made again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from fnmatch import fnmatchcase
from zoneinfo import ZoneInfo

from monitord.alerts.routing.time_intervals import covering
from monitord.model.alerts import Alert
from monitord.model.config.alert_settings import MaintenanceWindow
from monitord.model.messages import Mute


class MuteState(StrEnum):
    """Where a mute is, as of a time."""

    SCHEDULED = "scheduled"
    ACTIVE = "active"
    ENDED = "ended"


@dataclass(frozen=True)
class Muted:
    """Why an alert is not told, and until when."""

    until: datetime
    reason: str
    mute: Mute | None = None
    """None: a maintenance window."""


def state_of(mute: Mute, as_of: datetime) -> MuteState:
    """The mute's state as of a time: start <= as_of < end is active."""
    if as_of >= end_of(mute):
        return MuteState.ENDED
    return MuteState.ACTIVE if as_of >= mute.start else MuteState.SCHEDULED


def end_of(mute: Mute) -> datetime:
    """When the mute ends: at its end, or when someone ended it."""
    return mute.end if mute.ended_at is None else min(mute.end, mute.ended_at)


def covers(mute: Mute, alert: Alert) -> bool:
    """Whether the alert meets all matchers of the mute, whenever that is."""
    return all(
        fnmatchcase(str(getattr(alert, matcher.label.value) or ""), matcher.pattern) for matcher in mute.matchers
    )


def muted(
    alert: Alert, mutes: Iterable[Mute], windows: Sequence[MaintenanceWindow], zone: ZoneInfo, as_of: datetime
) -> Muted | None:
    """The mute or window under which an alert is not told; of several the one that lasts longest."""
    hits = [
        Muted(end_of(mute), f"muted by {mute.author}: {mute.comment}", mute)
        for mute in mutes
        if state_of(mute, as_of) is MuteState.ACTIVE and covers(mute, alert)
    ]
    for window in windows:
        until = _window_end(window, alert, zone, as_of)
        if until is not None:
            hits.append(Muted(until, f"maintenance: {window.comment}"))
    return max(hits, key=lambda hit: hit.until, default=None)


def _window_end(window: MaintenanceWindow, alert: Alert, zone: ZoneInfo, as_of: datetime) -> datetime | None:
    if not any_match(window.jobs, alert.job) or not any_match(window.kinds, alert.kind):
        return None
    if (window.start is not None and as_of < window.start) or (window.end is not None and as_of >= window.end):
        return None
    if window.hours is None:
        return window.end
    until = covering([window.hours], zone, as_of)
    return until if until is None or window.end is None else min(until, window.end)


def any_match(patterns: Sequence[str], value: str) -> bool:
    """Whether a value fits one of the patterns; no patterns fit everything."""
    return not patterns or any(fnmatchcase(value, pattern) for pattern in patterns)
