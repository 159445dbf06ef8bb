"""What happened at a location, as lettered marks on its charts: probes that came, checks, alerts that opened."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from string import ascii_uppercase
from typing import NamedTuple

from monitord.charts.parts import Marker
from monitord.model.alerts import Alert
from monitord.model.facts import FindingKind
from monitord.model.jobs import JobFile, Location
from monitord.text.alert_texts import TEXTS
from monitord.web.text.local_time import LocalTimes

_MAXIMUM = 8
"""More marks than that hide the lines; the newest stay."""
_APART = 0.035
"""Marks nearer than this share of the window become one."""


class Opening(NamedTuple):
    """That an alert opened."""

    location: str | None
    at: datetime
    kind: FindingKind


def openings_of(alerts: Sequence[Alert]) -> tuple[Opening, ...]:
    """When which alerts opened."""
    return tuple(Opening(one.location, one.opened_at, one.kind) for one in alerts if one.opened_at is not None)


def markers_of(
    job: JobFile,
    location: Location,
    openings: Sequence[Opening],
    start: datetime,
    end: datetime,
    times: LocalTimes,
) -> tuple[Marker, ...]:
    """The marks inside a window, lettered in order of time."""
    happened = sorted((time, words) for time, words in _event_markers(job, location, openings) if start <= time <= end)
    grouped: list[tuple[datetime, list[str]]] = []
    apart = (end - start) * _APART
    for time, words in happened:
        if grouped and time - grouped[-1][0] < apart:
            grouped[-1][1].append(words)
        else:
            grouped.append((time, [words]))
    return tuple(
        Marker(time.timestamp(), letter, f"{times.stamp(time)}: {'; '.join(words)}.")
        for letter, (time, words) in zip(ascii_uppercase, grouped[-_MAXIMUM:], strict=False)
    )


def _event_markers(job: JobFile, location: Location, openings: Sequence[Opening]) -> Iterator[tuple[datetime, str]]:
    placements = job.placements_at(location.id)
    for order, placement in enumerate(placements):
        if order:
            yield placement.from_time, f"probe {placement.probe} placed here"
        for check in job.calibrations:
            if check.probe == placement.probe and placement.covers(check.at):
                yield check.at, f"probe {placement.probe} checked" + (f" ({check.method})" if check.method else "")
    room = job.room_of(location)
    for item in (*job.equipment_at(location.id), *(job.equipment_at(room.id) if room is not None else ())):
        yield item.from_time, f"{item.label} set up"
        if item.to_time is not None:
            yield item.to_time, f"{item.label} taken out"
    if location.sealed_at is not None:
        yield location.sealed_at, "sleeve sealed"
    for opening in openings:
        if opening.location == location.id:
            # when the alert opened, as its page and its messages say it, and not since when the data show it
            yield opening.at, f"alert opened: {_lower(TEXTS[opening.kind].words)}"


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]
