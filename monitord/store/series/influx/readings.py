"""Raw readings as points of one measurement; its tag and fields, with units, are those of `DATABASES.md`.

A point is named by probe and stamp, so that the same reading written again changes nothing. What is asked is asked in
InfluxQL, which 1.x, 2 (with a mapping of databases) and 3 understand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Any

import numpy as np
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from monitord.errors import StoreError
from monitord.model.series import Array
from monitord.store.series.influx.server import MAX_POINTS, Answer, Server, Verdict
from monitord.store.series.raw_reading import Key, RawReading

MEASUREMENT = "monitord_raw"
_FIELDS = RawReading._fields[2:]
_COUNTED = ("received_ms", "live_ms")
_SELECT = ", ".join(f'"{name}"' for name in _FIELDS)

_CODED = str.maketrans({sign: f"%{ord(sign):02X}" for sign in "%\\'\",="})
"""A probe's id in a tag: what line protocol or InfluxQL would have to escape stands as its code (RFC 3986, 2.1)."""

_EARLIEST_MS, _LATEST_MS = -9_223_372_036_854, 9_223_372_036_854
"""Beyond them the server holds no time: it counts nanoseconds in 64 bits."""
_APART_MS = 24 * 3_600_000
"""Stamps of a probe that lie further apart than this are asked for one by one. Our choice."""
_STATEMENTS = 250
"""Stretches that are asked for in one request. Our choice."""


Stretch = tuple[str, int, int]
"""A probe, and stamps from <= time < end. [ms]"""


class ReadingRefusedError(ValueError):
    """The server will never take what these readings say: it is theirs, and not the server's state."""


class InfluxReadings:
    """Readings in one bucket.

    Every method raises `StoreError` where the server is away or refuses everything.
    """

    def __init__(self, server: Server, where: str) -> None:
        self._server = server
        self.where = where

    def write(self, rows: Sequence[RawReading]) -> None:
        """Write readings; when this returns the server has them all.

        Raises
        ------
        ReadingRefusedError : it refuses some for what they say; of the others it may have taken some.
        """
        beyond = next((row for row in rows if not _EARLIEST_MS < row.time_ms < _LATEST_MS), None)
        if beyond is not None:
            raise ReadingRefusedError(f"the stamp of {beyond.probe} is not between the years 1677 and 2262")
        for start in range(0, len(rows), MAX_POINTS):
            answer = self._server.write([_line(row) for row in rows[start : start + MAX_POINTS]])
            if answer.verdict is not Verdict.ACCEPTED:
                raise _refusal(answer, self.where)

    def find(self, keys: Iterable[Key]) -> dict[Key, RawReading]:
        """Those of these readings that are there."""
        wanted = set(keys)
        found = self.of_stretches(list(_stretches(sorted(wanted))))
        return {row.key: row for rows in found for row in rows if row.key in wanted}

    def of_stretches(self, asked: Sequence[Stretch]) -> list[list[RawReading]]:
        """The readings of each stretch, in order of time."""
        found: list[list[RawReading]] = []
        for start in range(0, len(asked), _STATEMENTS):
            part = asked[start : start + _STATEMENTS]
            answers = self._server.query(";".join(_statement(stretch) for stretch in part))
            found += [_rows(stretch[0], values) for stretch, values in zip(part, answers, strict=True)]
        return found

    def of_hours(self, hours: Sequence[tuple[str, int]], hour_ms: int) -> Array:
        """The readings of clock hours (probe, hours since 1970), as `columns` has them, after the place of the hour."""
        runs = list(_runs(hours))
        asked = [(probe, first * hour_ms, (last + 1) * hour_ms) for probe, first, last in runs]
        places = {hour: place for place, hour in enumerate(hours)}
        rows = [row for found in self.of_stretches(asked) for row in found]
        found = columns(rows)
        place = np.array([places[row.probe, row.time_ms // hour_ms] for row in rows], dtype=np.float64)
        return np.concatenate([place[None], found])

    def of_stretch(self, probe: str, from_ms: int, end_ms: int) -> Array:
        """The readings of a probe, from <= time < end, as `columns` has them. [ms]"""
        return self.columns_of_stretches([(probe, from_ms, end_ms)])[0]

    def columns_of_stretches(self, asked: Sequence[Stretch]) -> list[Array]:
        """The same of several."""
        return [columns(rows) for rows in self.of_stretches(asked)]

    def newest(self, probe: str, from_ms: int, end_ms: int, known_by_ms: int) -> RawReading | None:
        """The last of a stretch that was heard live by a time. [ms]"""
        more = f'AND "live_ms" <= {known_by_ms} ORDER BY time DESC LIMIT 1'
        (values,) = self._server.query(f"{_statement((probe, from_ms, end_ms))} {more}")
        return next(iter(_rows(probe, values)), None)

    def probes(self) -> list[str]:
        """Every probe that has readings there."""
        (values,) = self._server.query(f'SHOW TAG VALUES FROM "{MEASUREMENT}" WITH KEY = "probe"')
        return sorted(_decoded(str(value[1])) for value in values)

    def close(self) -> None:
        """Let go of the connections."""
        self._server.close()


def columns(rows: Sequence[RawReading]) -> Array:
    """Time, temperature, humidity, surface, battery [V], arrival, battery [%]: a row of the array for each. (7, n)"""
    if not rows:
        return np.empty((7, 0))
    values = [(row[1], row[2], row[3], row[4], row[5], row[10], row[6]) for row in rows]
    return np.ascontiguousarray(np.array(values, dtype=np.float64).T)


def _line(row: RawReading) -> str:
    point = Point(MEASUREMENT).tag("probe", row.probe.translate(_CODED)).time(row.time_ms, WritePrecision.MS)
    for name, value in zip(_FIELDS, row[2:-1], strict=False):
        if value is not None:
            point.field(name, value if name == "gateway" or name in _COUNTED else float(value))
    return str(point.field("live_ms", row.heard_ms).to_line_protocol())


def _rows(probe: str, values: Iterable[Sequence[Any]]) -> list[RawReading]:
    rows = []
    for time_ms, *measured, rssi, gateway, received_ms, live_ms in values:
        numbers = [None if value is None else float(value) for value in (*measured, rssi)]
        live = None if live_ms == received_ms else live_ms
        rows.append(RawReading._make((probe, time_ms, *numbers, gateway, received_ms, live)))
    return rows


def _statement(stretch: Stretch) -> str:
    probe, from_ms, end_ms = stretch
    start, end = max(from_ms, _EARLIEST_MS), min(end_ms, _LATEST_MS)
    where = f"\"probe\" = '{probe.translate(_CODED)}' AND time >= {start}ms AND time < {end}ms"
    return f'SELECT {_SELECT} FROM "{MEASUREMENT}" WHERE {where}'


def _decoded(probe: str) -> str:
    for code, text in _CODED.items():
        if code != ord("%"):
            probe = probe.replace(text, chr(code))
    return probe.replace("%25", "%")


def _stretches(keys: Sequence[Key]) -> Iterator[Stretch]:
    """Stretches that hold these keys (sorted), and not much beside them."""
    for probe, group in groupby(keys, key=lambda key: key[0]):
        times = [time_ms for _, time_ms in group if _EARLIEST_MS < time_ms < _LATEST_MS]
        start = 0
        for place, time_ms in enumerate(times):
            if place + 1 == len(times) or times[place + 1] - time_ms > _APART_MS:
                yield probe, times[start], time_ms + 1
                start = place + 1


def _runs(hours: Iterable[tuple[str, int]]) -> Iterator[tuple[str, int, int]]:
    """Probe, first and last of hours that follow each other."""
    for (probe, _), group in groupby(enumerate(sorted(hours)), key=lambda item: (item[1][0], item[1][1] - item[0])):
        run = [hour for _, (_, hour) in group]
        yield probe, run[0], run[-1]


def _refusal(answer: Answer, where: str) -> Exception:
    if answer.verdict is Verdict.TOO_OLD:
        return ReadingRefusedError(f"{where} keeps no readings as old as this: {answer.reason}")
    states = ("field type conflict", "limit exceeded")
    if answer.verdict is Verdict.BAD_LINE and not any(phrase in answer.reason for phrase in states):
        return ReadingRefusedError(f"{where}: {answer.reason}")
    remedy = "Nothing that was acknowledged is lost, and it is tried again"
    if answer.verdict is not Verdict.AWAY:
        remedy = f"Check `store.token`, `store.bucket` and what else writes to {MEASUREMENT}"
    return StoreError("InfluxDB takes no readings", where=where, why=answer.reason, remedy=remedy)
