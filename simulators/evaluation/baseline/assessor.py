"""The plain baseline: what a careful person with a spreadsheet says of a job.

Fixed thresholds, the difference of the last two days, a straight line through the last week, a 72 h clock; no
cleaning, no temperature, no neighbours. Every three hours (goals and faults: six) it looks at what has arrived. The
limits are common practice or our own choice, and are not tuned.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import numpy as np

from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.replay.parallel import Arrivals
from simulators.evaluation.baseline.sheet import DAY_S, HOUR_S, Sheet
from simulators.evaluation.records import AlertRecord, EquilibriumRecord, ForecastRecord, NightRecord, Verdicts

LOOK_S = 3 * HOUR_S
CLOCK_S = 72 * HOUR_S
STALL_S = 4 * DAY_S
RISE_SLEEVE_PCT, RISE_PCT = 1.5, 3.0
INTERVAL_SHARE = 0.25
"""Half width of the forecast's interval, as a share of the time left."""
_AFTERNOON = range(15, 18)
_WITH_RISES = (LocationKind.SLAB_SLEEVE, LocationKind.CAVITY, LocationKind.SUBFLOOR_VOID)


class Ledger:
    """Alerts that are open and closed."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, str, str], tuple[float, str]] = {}
        self._last: dict[tuple[str, str, str], float] = {}
        self._since: dict[tuple[str, str, str], float] = {}
        self.alerts: list[AlertRecord] = []

    def note(
        self,
        at_s: float,
        kind: str,
        on: bool,
        location: str,
        probe: str = "",
        words: str = "",
        wait_s: float = 0.0,
        hold_s: float = 0.0,
    ) -> None:
        """A condition holds or not; an alert opens once it has for `wait_s`, closes once it has not for `hold_s`."""
        key = (kind, location, probe)
        if on:
            self._last[key] = at_s
            if at_s - self._since.setdefault(key, at_s) >= wait_s:
                self._open.setdefault(key, (at_s, words))
            return
        self._since.pop(key, None)
        if key in self._open and at_s - self._last[key] >= hold_s:
            self._close(key, at_s)

    def _close(self, key: tuple[str, str, str], at_s: float | None) -> None:
        opened_s, words = self._open.pop(key)
        self.alerts.append(AlertRecord(key[0], key[1] or None, key[2] or None, opened_s, at_s, words))

    def end(self) -> list[AlertRecord]:
        """All alerts; those still open have no closing."""
        for key in list(self._open):
            self._close(key, None)
        return sorted(self.alerts, key=lambda a: (a.opened_s, a.kind, a.location or "", a.probe or ""))


def the_baseline(job: JobFile, arrivals: Arrivals) -> Verdicts:
    """What the spreadsheet says of a job."""
    sheet, ledger, said = Sheet(job, arrivals), Ledger(), Verdicts()
    end_s = job.end.timestamp() if job.end is not None else max(arrivals.received_s)
    for look, at_s in enumerate(np.arange(job.start.timestamp() + LOOK_S, end_s, LOOK_S).tolist()):
        for location in job.locations:
            _look_at(sheet, ledger, said, location, at_s)
            if location.goal is not None and look % 2 == 0 and _clock_has_run(location, at_s):
                _goal(sheet, ledger, said, location, at_s, forecast=look % 4 == 0)
            local = datetime.fromtimestamp(at_s, job.zone)
            if local.hour in _AFTERNOON:
                _tonight(sheet, said, location, at_s)
        for placement in job.probes:
            _look_at_probe(sheet, ledger, placement, at_s, closely=look % 2 == 0)
    said.alerts = ledger.end()
    return said


def _clock_has_run(location: Location, at_s: float) -> bool:
    """Whether readings of a location count: a sleeve's only once it has been sealed for 72 h."""
    return location.sealed_at is None or at_s - location.sealed_at.timestamp() >= CLOCK_S


def _look_at(sheet: Sheet, ledger: Ledger, said: Verdicts, location: Location, at_s: float) -> None:
    if location.kind in _WITH_RISES and _clock_has_run(location, at_s):
        today = sheet.column(location.id).mean("humidity", at_s - DAY_S, at_s)
        before = sheet.column(location.id).mean("humidity", at_s - 2 * DAY_S, at_s - DAY_S)
        minimum = RISE_SLEEVE_PCT if location.kind is LocationKind.SLAB_SLEEVE else RISE_PCT
        words = f"up by {today - before:.1f} % RH since the day before"
        ledger.note(at_s, "rewetting", today - before >= minimum, location.id, words=words)
    margin = sheet.margin(location, at_s - HOUR_S, at_s)
    words = f"surface {margin:.1f} K from the dew point"
    ledger.note(at_s, "condensation", margin <= 0.0, location.id, words=words, hold_s=DAY_S)
    if location.kind is LocationKind.SLAB_SLEEVE and location.sealed_at is not None:
        now = sheet.column(location.id).mean("humidity", at_s - LOOK_S, at_s)
        if at_s >= location.sealed_at.timestamp() and np.isfinite(now):
            said.equilibrium.append(
                EquilibriumRecord(at_s, location.id, now, None, None, _clock_has_run(location, at_s))
            )


def _tonight(sheet: Sheet, said: Verdicts, location: Location, at_s: float) -> None:
    """The night to come as the one before."""
    before = [sheet.margin(location, at_s - (24 - k) * HOUR_S, at_s - (23 - k) * HOUR_S) for k in range(24)]
    if np.isfinite(before).any():
        said.nights.append(NightRecord(at_s, location.id, before))


def _goal(sheet: Sheet, ledger: Ledger, said: Verdicts, location: Location, at_s: float, forecast: bool) -> None:
    assert location.goal is not None
    limit = location.goal.limit
    days = [sheet.day_metric(location, at_s - k * DAY_S) for k in range(8)]
    today, week_ago = days[0], days[7]
    if not np.isfinite(today):
        return
    ledger.note(at_s, "goal_reached", today <= limit, location.id, words=f"{today:.1f}, goal {limit:g}")
    if np.isfinite(week_ago):
        little = week_ago - today < 0.1 * (week_ago - limit)
        words = f"from {week_ago:.1f} to {today:.1f} in a week, goal {limit:g}"
        ledger.note(at_s, "drying_stalled", today > limit and little, location.id, words=words, wait_s=STALL_S)
    line = _straight_on(location.id, at_s, np.array(days), limit) if forecast and today > limit else None
    if line is not None:
        said.forecasts.append(line)


def _straight_on(location: str, at_s: float, days: np.ndarray, limit: float) -> ForecastRecord | None:
    """A straight line through the means of the last days, newest first; none before there are three."""
    ages = 0.5 + np.arange(len(days))
    known = np.isfinite(days)
    if known.sum() < 3:
        return None
    slope, level = np.polyfit(-ages[known], days[known], 1)
    left_days = (limit - level) / slope if slope < 0.0 else np.inf
    if left_days > 3650.0:
        return ForecastRecord(at_s, location, None, None, None, never=True, high_never=True, words="it does not fall")
    left_s = max(0.0, float(left_days)) * DAY_S
    low, high = at_s + (1 - INTERVAL_SHARE) * left_s, at_s + (1 + INTERVAL_SHARE) * left_s
    return ForecastRecord(at_s, location, low, at_s + left_s, high, words="straight on")


def _look_at_probe(sheet: Sheet, ledger: Ledger, placement: Placement, at_s: float, closely: bool) -> None:
    column = sheet.probes.get(placement.probe)
    if at_s < placement.from_time.timestamp() + DAY_S or (placement.to_time and at_s >= placement.to_time.timestamp()):
        for kind in ("probe_fault", "probe_silent"):
            ledger.note(at_s, kind, False, placement.location_id, placement.probe)
        return
    heard = None if column is None else column.rows[5][column.rows[5] <= at_s]
    newest = placement.from_time.timestamp() if heard is None or not len(heard) else float(heard.max())
    silent = at_s - newest >= max(6 * placement.interval_s, HOUR_S)
    ledger.note(at_s, "probe_silent", silent, placement.location_id, placement.probe)
    if not closely:
        return
    faults = [] if column is None else list(_faults(column.rows, placement.interval_s, at_s))
    ledger.note(at_s, "probe_fault", bool(faults), placement.location_id, placement.probe, ", ".join(faults))


def _faults(rows: np.ndarray, interval_s: float, at_s: float) -> Iterator[str]:
    """What looks wrong in what came in the last day, by fixed limits."""
    came = rows[:, (rows[5] > at_s - DAY_S) & (rows[5] <= at_s)]
    if came.shape[1] < 12:
        return
    humidity = came[2]
    if (humidity < 1.0).any() or (came[1] < -40.0).any() or (came[1] > 60.0).any():
        yield "out of range"
    if np.median(humidity) >= 99.0:
        yield "saturated"
    if np.ptp(humidity) == 0.0:
        yield "stuck"
    if (np.abs(np.diff(humidity)) > 10.0).sum() >= 3:
        yield "jumps"
    if np.median(came[0] - came[5]) > 300.0:
        yield "clock ahead"
    if np.median(came[5] - came[0]) > 1800.0:
        yield "clock behind"
    if np.nanmin(came[4]) < 2.4:
        yield "battery low"
    if came.shape[1] < 0.5 * DAY_S / interval_s:
        yield "gaps"
