"""A job's readings in memory, growing in order of arrival: what replay feeds and the assessment reads.

The live daemon loads the same `JobRecord` from its store; both keep the last days raw and the whole placement by hour.
"""

from __future__ import annotations

import numpy as np

from monitord.model.jobs import JobFile, Placement
from monitord.model.series import HOUR_S, LATE_S, Array, Hourly, JobRecord, PlacementRecord, Series, roll_up_by

Row = tuple[float, float, float, float, float, float]
"""time, temperature, relative humidity, surface temperature, battery, received: the columns of a `Series`."""

_HOURLY_COLUMNS = 9


class _Placement:
    """Readings of one placement, ascending in time; hours are rolled up again when something lands in them."""

    def __init__(self, placement: Placement) -> None:
        self.placement = placement
        self.from_s = placement.from_time.timestamp()
        self.to_s = np.inf if placement.to_time is None else placement.to_time.timestamp()
        self.last_seen_s: float | None = None
        self._rows = np.empty((6, 256))
        self._n = 0
        self._newest_s = -np.inf
        self._hours = np.empty((_HOURLY_COLUMNS, 64))
        self._hours_n = 0
        self._dirty: set[float] = set()
        self._late_received_s = -np.inf

    def covers(self, time_s: float) -> bool:
        return self.from_s <= time_s < self.to_s

    def add(self, row: Row) -> bool:
        """Keep a reading; False if one with this time is there already (the first is kept)."""
        at = self._n
        if row[0] <= self._newest_s:
            times = self._rows[0, : self._n]
            at = int(np.searchsorted(times, row[0]))
            if times[at] == row[0]:
                return False
        else:
            self._newest_s = row[0]
        if self._n == self._rows.shape[1]:
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)], axis=1)
        if at < self._n:
            self._rows[:, at + 1 : self._n + 1] = self._rows[:, at : self._n].copy()
        self._rows[:, at] = row
        self._n += 1
        self._dirty.add(row[0] // HOUR_S * HOUR_S)
        if row[5] - row[0] > LATE_S:
            self._late_received_s = max(self._late_received_s, row[5])
        seen_s = min(row[0], row[5])  # a clock that runs ahead is no proof of life in the future
        if self.last_seen_s is None or seen_s > self.last_seen_s:
            self.last_seen_s = seen_s
        return True

    def take_over(self, as_of_s: float) -> list[tuple[float, Array]]:
        """The hours in which something landed and which are over, with their rows; from then on they are clean."""
        over = sorted(hour for hour in self._dirty if hour + HOUR_S <= as_of_s)
        self._dirty.difference_update(over)
        times, found = self._rows[0, : self._n], []
        for hour in over:
            a, b = np.searchsorted(times, (hour, hour + HOUR_S))
            found.append((hour, self._rows[:, a:b]))
        return found

    def keep_hour(self, column: Array) -> None:
        """Keep an hour's roll-up, the columns of an `Hourly`."""
        hours = self._hours[0, : self._hours_n]
        at = int(np.searchsorted(hours, column[0]))
        if at < self._hours_n and hours[at] == column[0]:
            self._hours[:, at] = column
            return
        if self._hours_n == self._hours.shape[1]:
            self._hours = np.concatenate([self._hours, np.empty_like(self._hours)], axis=1)
        if at < self._hours_n:
            self._hours[:, at + 1 : self._hours_n + 1] = self._hours[:, at : self._hours_n].copy()
        self._hours[:, at] = column
        self._hours_n += 1

    def record(self, as_of_s: float, recent_s: float) -> PlacementRecord:
        """What is known of the placement; the arrays are views, good until the next reading is added."""
        rows = self._rows[:, : self._n]
        since = as_of_s - recent_s
        recent = rows[:, int(np.searchsorted(rows[0], since)) :]
        if self._late_received_s >= since:  # a backlog, or a clock that is behind: old stamps that came lately
            late = (rows[5] >= since) & (rows[5] - rows[0] > LATE_S)
            recent = rows[:, (rows[0] >= since) | late]
        hours = self._hours[:, : self._hours_n]
        until = int(np.searchsorted(hours[0], as_of_s - HOUR_S, side="right"))
        return PlacementRecord(self.placement, Series(*recent), Hourly(*hours[:, :until]), self.last_seen_s)


class Recorder:
    """Takes readings in order of arrival and gives the job's record as of any later time."""

    def __init__(self, job: JobFile, recent_h: float = 72.0) -> None:
        self._placements = [_Placement(placement) for placement in job.probes]
        self._recent_s = recent_h * HOUR_S
        self._by_probe: dict[str, list[_Placement]] = {}
        for placement in self._placements:
            self._by_probe.setdefault(placement.placement.probe, []).append(placement)

    def add(self, probe: str, row: Row) -> bool:
        """Keep a reading; False where it repeats one or belongs to no placement."""
        for placement in self._by_probe.get(probe, ()):
            if placement.covers(row[0]):
                return placement.add(row)
        return False

    def record(self, as_of_s: float) -> JobRecord:
        """What is known of the job."""
        self._roll_up(as_of_s)
        return JobRecord(tuple(placement.record(as_of_s, self._recent_s) for placement in self._placements))

    def _roll_up(self, as_of_s: float) -> None:
        """Roll up the hours that changed, those of all placements at once."""
        changed = [
            (placement, hour, rows) for placement in self._placements for hour, rows in placement.take_over(as_of_s)
        ]
        if not changed:
            return
        key = np.repeat(np.arange(len(changed), dtype=np.float64), [rows.shape[1] for _, _, rows in changed])
        rolled = roll_up_by(key, Series(*np.concatenate([rows for _, _, rows in changed], axis=1)))
        columns = np.stack([getattr(rolled, name) for name in Hourly.__dataclass_fields__])
        columns[0] = [hour for _, hour, _ in changed]
        for k, (placement, _, _) in enumerate(changed):
            placement.keep_hour(columns[:, k])
