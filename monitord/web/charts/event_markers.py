"""What happened at a location, as lettered marks on its charts: probes that came, checks, alerts that opened."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from string import ascii_uppercase

from monitord.charts.parts import Marker
from monitord.model.alerts import Alert
from monitord.model.jobs import JobFile, Location
from monitord.web.charts.time_range import Shown
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import ENGLISH

_MOST = 8
"""More marks than that hide the lines; the newest stay."""
_APART = 0.035
"""Marks nearer than this share of the window become one."""


def markers_of(
    job: JobFile, place: Location, alerts: Sequence[Alert], shown: Shown, times: LocalTimes
) -> tuple[Marker, ...]:
    """The marks inside the window, lettered in order of time."""
    happened = sorted(
        (time, words) for time, words in _happenings(job, place, alerts) if shown.start <= time <= shown.end
    )
    grouped: list[tuple[datetime, list[str]]] = []
    apart = (shown.end - shown.start) * _APART
    for time, words in happened:
        if grouped and time - grouped[-1][0] < apart:
            grouped[-1][1].append(words)
        else:
            grouped.append((time, [words]))
    return tuple(
        Marker(time.timestamp(), letter, f"{times.stamp(time, weekday=False)}: {'; '.join(words)}.")
        for letter, (time, words) in zip(ascii_uppercase, grouped[-_MOST:], strict=False)
    )


def _happenings(job: JobFile, place: Location, alerts: Sequence[Alert]) -> Iterator[tuple[datetime, str]]:
    stays = job.stays_at(place.id)
    for order, stay in enumerate(stays):
        if order:
            yield stay.from_time, f"probe {stay.probe} placed here"
        for check in job.calibrations:
            if check.probe == stay.probe and stay.covers(check.at):
                yield check.at, f"probe {stay.probe} checked" + (f" ({check.method})" if check.method else "")
    if place.sealed_at is not None:
        yield place.sealed_at, "sleeve sealed"
    for alert in alerts:
        if alert.location == place.id and alert.opened_at is not None:
            since = alert.finding.since
            began = since if since is not None and since < alert.opened_at else alert.opened_at
            yield began, f"{_lower(ENGLISH.kind(alert.kind))} (found by monitord)"


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]
