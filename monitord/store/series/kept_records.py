"""A job's record from round to round: what came is added to what is known, and only that is read.

Of each placement everything before its first hour that may still be touched is kept, rolled up and raw; from there on
it is read. Whether what is kept still holds is seen by the number of the probe's renewals (see `rollups`) and, where
that has risen, by the number of readings in those hours, for they only grow in number. A late reading, a clock
that went back, or whatever else does not fit has the placement read from scratch. So the result is that of
`load_job_record`, whatever came in which order and by which process it was taken in.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import Connection, Select, Text, cast, select

from monitord.model.jobs import JobFile, Placement
from monitord.model.series import HOUR_S, LATE_S, Array, Hourly, JobRecord, PlacementRecord, Series
from monitord.store.db.statements import as_pairs, given_names, probe_hours
from monitord.store.db.tables import heard, probe_name, touched_hour
from monitord.store.db.times import HOUR_MS, hour_of, to_ms
from monitord.store.last_seen import last_seen_in_placement
from monitord.store.series import rollups
from monitord.store.series.archived import need_readings
from monitord.store.series.records import (
    ARRIVAL,
    COLUMNS,
    RECENT_H,
    STAMP,
    as_series,
    end_ms,
    raw_of_placement,
    raw_since,
)

_HOURLY = tuple(Hourly.__dataclass_fields__)


_Key = tuple[str, datetime]
"""A probe, and when it came."""


class _Seen(NamedTuple):
    """A probe's newest live reading."""

    at_ms: int
    """When it was last seen by it."""
    time_ms: int
    """Its stamp."""
    received_ms: int
    """All that counts as live had come by then."""


class _Probe(NamedTuple):
    """What is noted of a probe."""

    number: int
    renewals: int
    seen: _Seen | None
    touched: tuple[int, ...]
    """Its touched hours. [hours since 1970]"""


@dataclass(frozen=True)
class _Kept:
    """What is kept of a placement, for times of assessment from `as_of_ms` on."""

    as_of_ms: int
    renewals: int
    whole: int
    """All that was stamped before this hour is here. [hours since 1970]"""
    total: int
    """Readings of the probe in the hours before that."""
    hourly: Hourly
    raw: Array
    """Readings as `COLUMNS`: of the last days before the time of assessment, and what came late in these."""

    @property
    def nbytes(self) -> int:
        arrays: list[Array] = [getattr(self.hourly, name) for name in _HOURLY]
        return self.raw.nbytes + sum(array.nbytes for array in arrays)


class KeptRecord:
    """The record of one job, as long as its file stands, for times of assessment that go on."""

    def __init__(self) -> None:
        self._kept: dict[_Key, _Kept] = {}

    @property
    def nbytes(self) -> int:
        """Bytes of what is kept."""
        return sum(kept.nbytes for kept in self._kept.values())

    def forget(self) -> None:
        """Keep nothing; the next time all is read from scratch."""
        self._kept = {}

    def load(self, conn: Connection, job: JobFile, as_of: datetime) -> JobRecord:
        """The same as `load_job_record`, errors included."""
        need_readings(conn, job.job)
        as_of_ms, probes = to_ms(as_of), _probes(conn, {placement.probe for placement in job.probes})
        loads = {
            _key(placement): _Load(placement, probe, self._kept.get(_key(placement)), as_of_ms)
            for placement in job.probes
            if (probe := probes.get(placement.probe)) is not None
        }
        _count(conn, list(loads.values()))
        _read_newer(conn, list(loads.values()))
        records = {key: load.record(conn) for key, load in loads.items()}
        self._kept = {key: load.result for key, load in loads.items() if load.result is not None}
        nothing = Series(), Hourly(), None
        return JobRecord(tuple(records.get(_key(p)) or PlacementRecord(p, *nothing) for p in job.probes))


def _key(placement: Placement) -> _Key:
    return placement.probe, placement.from_time


class _Load:
    """The record of one placement in the making: from what is kept of it, or from scratch."""

    def __init__(self, placement: Placement, probe: _Probe, kept: _Kept | None, as_of_ms: int) -> None:
        self.probe = probe
        self.whole = min([as_of_ms // HOUR_MS, *probe.touched])
        self.kept = None if kept is None or as_of_ms < kept.as_of_ms else kept
        self.result: _Kept | None = None
        """What is to be kept of it."""
        self.newer = np.empty((len(COLUMNS), 0))
        """What was stamped from `cut` on."""
        self.placement, self._as_of_ms = placement, as_of_ms
        self._since_ms = as_of_ms - round(RECENT_H * HOUR_MS)
        self._from_ms, self._end_ms = to_ms(placement.from_time), end_ms(placement)
        self._total, self._came_ms = 0, 0

    @property
    def cut(self) -> int:
        """The hour from which on it is read. [hours since 1970]"""
        return self.whole if self.kept is None else min(self.whole, self.kept.whole)

    @property
    def quiet(self) -> bool:
        """Whether nothing has been rolled up since, and no hour was over."""
        return self.kept is not None and (self.kept.renewals, self.kept.whole) == (self.probe.renewals, self.whole)

    @property
    def has_newer(self) -> bool:
        """Whether the placement goes on at the cut."""
        return self.kept is not None and self.cut * HOUR_MS < self._end_ms

    def counted(self, before: int, total: int, came_ms: int) -> None:
        """Take in how many readings lie before `kept.whole` and before `whole`, and when the last of these came."""
        if self.kept is not None and self.kept.renewals != self.probe.renewals and before != self.kept.total:
            self.kept = None
        self._total, self._came_ms = total, came_ms

    def record(self, conn: Connection) -> PlacementRecord:
        """The record; from then on `result` is what is to be kept."""
        raw, hourly = self._raw(conn), self._hourly(conn)
        if self.quiet and self.kept is not None:
            self.result = replace(self.kept, as_of_ms=self._as_of_ms)
        elif (
            self._came_ms <= self._as_of_ms
        ):  # else another process has rolled up what came after the time of assessment
            self.result = _Kept(
                self._as_of_ms,
                self.probe.renewals,
                self.whole,
                self._total,
                _hours_before(hourly, self.whole),
                self._recent(raw[:, : raw[STAMP].searchsorted(self.whole * HOUR_MS)]),
            )
        known = raw[:, raw[ARRIVAL] <= self._as_of_ms]
        return PlacementRecord(self.placement, as_series(self._recent(known)), hourly, self._last_seen_s(conn))

    def _raw(self, conn: Connection) -> Array:
        if self.kept is None:
            return raw_of_placement(conn, self.placement, self._since_ms)
        older, newer = self.kept.raw, self.newer
        inside = (newer[STAMP] >= self._from_ms) & (newer[STAMP] < self._end_ms)
        return np.concatenate([older[:, : older[STAMP].searchsorted(self.cut * HOUR_MS)], newer[:, inside]], axis=1)

    def _recent(self, raw: Array) -> Array:
        """What belongs to the end of the record that is given raw."""
        late = (raw[ARRIVAL] >= self._since_ms) & (raw[ARRIVAL] - raw[STAMP] > 1000.0 * LATE_S)
        return raw[:, (raw[STAMP] >= self._since_ms) | late]

    def _hourly(self, conn: Connection) -> Hourly:
        probe, known_by_ms = self.placement.probe, self._as_of_ms
        end_ms = min(hour_of(self._as_of_ms), self._end_ms)
        if self.kept is None:
            return rollups.load(conn, probe, since_ms=self._from_ms, end_ms=end_ms, received_ms=known_by_ms)
        older, since_ms = _hours_before(self.kept.hourly, self.cut), max(self._from_ms, self.cut * HOUR_MS)
        newer = rollups.load(conn, probe, since_ms=since_ms, end_ms=end_ms, received_ms=known_by_ms)
        if not len(newer):
            return older
        return Hourly(*(np.concatenate([getattr(older, name), getattr(newer, name)]) for name in _HOURLY))

    def _last_seen_s(self, conn: Connection) -> float | None:
        seen = self.probe.seen
        if seen is not None and self._from_ms <= seen.time_ms < self._end_ms and seen.received_ms <= self._as_of_ms:
            return seen.at_ms / 1000.0
        at_ms = last_seen_in_placement(conn, self.placement.probe, self._from_ms, self._end_ms, self._as_of_ms)
        return None if at_ms is None else at_ms / 1000.0


def _hours_before(hourly: Hourly, hour: int) -> Hourly:
    n = int(hourly.hour_s.searchsorted(hour * HOUR_S))
    return hourly if n == len(hourly) else Hourly(*(getattr(hourly, name)[:n].copy() for name in _HOURLY))


def _probes(conn: Connection, names: Iterable[str]) -> dict[str, _Probe]:
    """What is noted of those that were ever seen."""
    rows = conn.execute(_noted(conn.dialect.name), {"names": json.dumps(sorted(names))}).all()
    touched: dict[int, list[int]] = {}
    for number, hour in conn.execute(_touched(conn.dialect.name), {"pairs": as_pairs((row[1], 0) for row in rows)}):
        touched.setdefault(number, []).append(hour)
    return {
        name: _Probe(number, renewals, None if seen[0] is None else _Seen(*seen), tuple(touched.get(number, ())))
        for name, number, renewals, *seen in rows
    }


def _count(conn: Connection, loads: Sequence[_Load]) -> None:
    """Count the readings before the hours at which the placements are cut, where these may have changed."""
    asked = [load for load in loads if not load.quiet]
    if not asked:
        return
    hours = [(load.probe.number, load.whole if load.kept is None else load.kept.whole) for load in asked]
    answers = rollups.counted(conn, hours + [(load.probe.number, load.whole) for load in asked])
    for load, (before, _), (total, came_ms) in zip(asked, answers[: len(asked)], answers[len(asked) :], strict=True):
        load.counted(before, total, came_ms)


def _read_newer(conn: Connection, loads: Sequence[_Load]) -> None:
    """Read what is stamped from the cuts on, for all placements at once."""
    asked = [load for load in loads if load.has_newer]
    cuts = [(load.placement.probe, load.probe.number, load.cut) for load in asked]
    for load, newer in zip(asked, raw_since(conn, cuts), strict=True):
        load.newer = newer


# --- statements ---------------------------------------------------------------------------------------------


@lru_cache(maxsize=4)
def _noted(dialect: str) -> Select[Any]:
    item = given_names(dialect)
    return (
        select(probe_name.c.name, probe_name.c.id, probe_name.c.renewals)
        .add_columns(heard.c.heard_ms, heard.c.time_ms, heard.c.received_ms)
        .join_from(item, probe_name, probe_name.c.name == cast(item.c.value, Text))
        .outerjoin(heard, heard.c.probe_id == probe_name.c.id)
    )


@lru_cache(maxsize=4)
def _touched(dialect: str) -> Select[Any]:
    pair = probe_hours(dialect)
    return select(touched_hour).join_from(pair, touched_hour, touched_hour.c.probe_id == pair.c.probe_id)
