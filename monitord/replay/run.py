"""`monitord replay`: run history through the very same assessment and alert code, at the data's own time.

The clock is `received_at`: a reading is known only from its arrival on. The clock starts at the job's start, ticks
on a fixed grid and goes on in gaps and after the last row, so that what depends on passing time happens there too.
Every output row is dated by the tick that made it. The formats are in monitord/replay/REPLAY.md.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import itemgetter
from pathlib import Path

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.errors import ConfigurationError
from monitord.model.alerts import Alert, AlertStatus
from monitord.model.assessments import Equilibrium, Forecast, JobAssessment, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import NightAhead
from monitord.model.job_files.files import load_job_file
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.verdict import Readiness
from monitord.pipeline import ReplaySession
from monitord.replay.parallel import Arrivals, assessments
from monitord.replay.recorder import Row
from monitord.replay.sentences import ALERT_TEXTS, STATES, StateRow, alert_texts, state_row, z

TICK_S = 3600.0
_EQUILIBRIUM_S = 6 * 3600.0
_FORECAST_S = 12 * 3600.0
_NIGHT_S = 6 * 3600.0
_READINESS_S = 24 * 3600.0
_STATES_S = 6 * 3600.0
_LONG_ROWS = 20_000
"""Number of readings from which a second process is worth its start."""

_ALERTS = ("opened_at", "closed_at", "kind", "location", "severity", "probe", *ALERT_TEXTS)
_FORECASTS = ("made_at", "location", "eta_lo", "eta_mid", "eta_hi")
_EQUILIBRIUM = ("made_at", "location", "predicted_rh", "lo", "hi", "state")
_READINESS = ("made_at", "slab", "verdict", "missing", "earliest")
_READINGS = (
    "time", "probe", "temperature_c", "relative_humidity_pct", "surface_temperature_c", "battery_v", "received_at",
)  # fmt: skip


@dataclass
class ReplayResult:
    """What the program would have said."""

    alerts: list[tuple[datetime, datetime | None, Alert]] = field(default_factory=list)
    """Opened, closed, and the alert as it stood when it opened."""
    last: dict[tuple[str, int], Alert] = field(default_factory=dict)
    """Fingerprint and episode to the alert as it stood last."""
    states: list[StateRow] = field(default_factory=list)
    forecasts: list[tuple[datetime, str, Forecast]] = field(default_factory=list)
    equilibrium: list[tuple[datetime, str, Equilibrium]] = field(default_factory=list)
    nights: list[tuple[datetime, str, NightAhead]] = field(default_factory=list)
    readiness: list[tuple[datetime, Readiness]] = field(default_factory=list)


def parse_time(text: str) -> float:
    """A replay time, ISO 8601 UTC with Z, as POSIX seconds."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset; write UTC with Z")
    return moment.timestamp()


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is no measured value; leave a missing one empty")
    return value


def _optional(text: str) -> float:
    return _finite(text) if text else math.nan


def read_arrivals(path: Path) -> Arrivals:
    """Read a readings file.

    Raises
    ------
    ConfigurationError : the file can't be read, a column is missing, or a row can't be understood; names the row.
    """
    arrivals = Arrivals()
    try:
        with path.open(newline="", encoding="utf-8") as file:
            reader = csv.reader(file)
            header = next(reader, [])
            missing = [name for name in _READINGS if name not in header]
            if missing:
                raise ConfigurationError(
                    f"column {missing[0]!r} is missing",
                    where=str(path),
                    remedy=f"The first line must name the columns {', '.join(_READINGS)}",
                )
            pick = itemgetter(*(header.index(name) for name in _READINGS))
            for line, cells in enumerate(reader, start=2):
                arrivals.append(*_row(cells, pick, path, line))
    except OSError as error:
        raise ConfigurationError(
            "the readings can't be read", where=str(path), why=error.strerror, remedy="Check the folder's name"
        ) from error
    return arrivals


def _row(
    cells: Sequence[str], pick: Callable[[Sequence[str]], Sequence[str]], path: Path, line: int
) -> tuple[str, Row]:
    try:
        time, probe, t, rh, surface, battery, received = pick(cells)
        values = _finite(t), _finite(rh), _optional(surface), _optional(battery)
        row = (parse_time(time), *values, parse_time(received))
    except (ValueError, IndexError) as error:
        raise ConfigurationError(
            "the row can't be understood", where=f"{path} line {line}", why=str(error), remedy="Correct or remove it"
        ) from None
    return probe, row


def ticks(job: JobFile, last_arrival_s: float) -> Iterator[float]:
    """Times of assessment: a fixed grid from the job's start to its end (or the last arrival), end included."""
    start = job.start.timestamp()
    end = job.end.timestamp() if job.end is not None else last_arrival_s
    tick = (start // TICK_S + 1) * TICK_S
    while tick < end:
        yield tick
        tick += TICK_S
    yield end


def replay(
    job: JobFile,
    arrivals: Arrivals,
    rules: AlertRules,
    options: AnalysisOptions | None = None,
    progress: bool = False,
    workers: int = 1,
    criteria: CriteriaBook | None = None,
) -> ReplayResult:
    """Run a job's arrivals through assessment and alerts, in `workers` processes; the result is the same."""
    options = options or AnalysisOptions()
    session, outcome = ReplaySession(job, rules, options), ReplayResult()
    writer = _Outcome(outcome)
    last = max(arrivals.received_s, default=job.start.timestamp())
    times = list(ticks(job, last))
    assessed = assessments(job, arrivals, times, options, workers, criteria)
    for tick, assessment in zip(_shown(times, progress, job.label), assessed, strict=True):
        writer.take(assessment, session.take(assessment), tick)
    writer.end()
    return outcome


def _shown(times: list[float], progress: bool, label: str) -> Iterator[float]:
    if not progress:
        yield from times
        return
    from rich.progress import track

    yield from track(times, description=f"Replaying {label}")


class _Outcome:
    """Collects what changes into rows."""

    def __init__(self, outcome: ReplayResult) -> None:
        self._outcome = outcome
        self._open: dict[tuple[str, int], tuple[datetime, Alert]] = {}
        self._next: dict[tuple[str, str], float] = {}
        self._last: dict[str, str] = {}
        self._states: dict[str, State] = {}
        self._verdicts: dict[str, tuple[str, tuple[str, ...]]] = {}

    def take(self, assessment: JobAssessment, changed: Sequence[Alert], tick: float) -> None:
        for alert in changed:
            self._alert(alert)
        for location in assessment.locations:
            if location.forecast is not None and self._due("forecast", location.location, tick, _FORECAST_S):
                self._outcome.forecasts.append((assessment.as_of, location.location, location.forecast))
            if location.night_ahead is not None and self._due("night", location.location, tick, _NIGHT_S):
                self._outcome.nights.append((assessment.as_of, location.location, location.night_ahead))
            new_state = self._states.get(location.location) is not location.state
            if self._due("state", location.location, tick, _STATES_S) or new_state:
                self._states[location.location] = location.state
                row = StateRow(assessment.as_of, location.location, location.state, location.facts)
                self._outcome.states.append(row)
            settled = location.equilibrium
            if settled is not None:
                news = self._last.get(location.location) != settled.state
                if self._due("equilibrium", location.location, tick, _EQUILIBRIUM_S) or news:
                    self._last[location.location] = settled.state
                    self._outcome.equilibrium.append((assessment.as_of, location.location, settled))
        for verdict in assessment.readiness:
            self._readiness(verdict, assessment.as_of, tick)

    def _readiness(self, verdict: Readiness, as_of: datetime, tick: float) -> None:
        """A row once a day, and one at each change of the verdict or of what is missing."""
        said = (verdict.verdict.value, verdict.missing)
        news = self._verdicts.get(verdict.element) != said
        if self._due("readiness", verdict.element, tick, _READINESS_S) or news:
            self._verdicts[verdict.element] = said
            self._outcome.readiness.append((as_of, verdict))

    def _due(self, what: str, location: str, tick: float, every_s: float) -> bool:
        if tick < self._next.get((what, location), 0.0):
            return False
        self._next[what, location] = tick + every_s
        return True

    def _alert(self, alert: Alert) -> None:
        key = (alert.fingerprint, alert.episode)
        if alert.status in (AlertStatus.OPEN, AlertStatus.ACKNOWLEDGED) and alert.opened_at is not None:
            self._open.setdefault(key, (alert.opened_at, alert))  # the words it opened with
            self._outcome.last[key] = alert
        elif alert.status is AlertStatus.CLOSED and key in self._open:
            opened_at, opened = self._open.pop(key)
            self._outcome.last[key] = alert
            self._outcome.alerts.append((opened_at, alert.closed_at, opened))

    def end(self) -> None:
        self._outcome.alerts.extend((opened_at, None, alert) for opened_at, alert in self._open.values())
        self._outcome.alerts.sort(key=lambda row: (row[0], row[2].kind, row[2].location or "", row[2].probe or ""))


def _decimal(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def write_result(outcome: ReplayResult, out: Path, job: JobFile, rules: AlertRules) -> None:
    """Write the CSV files of the replay format into a folder, which is made if it is not there."""
    out.mkdir(parents=True, exist_ok=True)
    _write(
        out / "alerts.csv",
        _ALERTS,
        (_alert_row(*row, outcome, job, rules) for row in outcome.alerts),
    )
    _write(out / "forecasts.csv", _FORECASTS, (_forecast_row(*row) for row in outcome.forecasts))
    _write(
        out / "equilibrium.csv",
        _EQUILIBRIUM,
        (
            (z(at), location, _decimal(e.predicted_rh), _decimal(e.low), _decimal(e.high), e.state)
            for at, location, e in outcome.equilibrium
        ),
    )

    _write(out / "states.csv", STATES, (state_row(row, job) for row in outcome.states))
    _write(out / "readiness.csv", _READINESS, (_readiness_row(*row) for row in outcome.readiness))


def _alert_row(
    opened_at: datetime,
    closed_at: datetime | None,
    alert: Alert,
    outcome: ReplayResult,
    job: JobFile,
    rules: AlertRules,
) -> tuple[str, ...]:
    last = outcome.last.get((alert.fingerprint, alert.episode), alert)
    about = (alert.kind.value, alert.location or "", alert.severity.value, alert.probe or "")
    return z(opened_at), z(closed_at), *about, *alert_texts(alert, last, job, rules)


def _readiness_row(at: datetime, verdict: Readiness) -> tuple[str, ...]:
    earliest = "" if verdict.earliest is None else verdict.earliest.astimezone(UTC).strftime("%Y-%m-%d")
    return z(at), verdict.element, verdict.verdict.value, ";".join(verdict.missing), earliest


def _forecast_row(at: datetime, location: str, forecast: Forecast) -> tuple[str, ...]:
    middle = "never" if forecast.never else z(forecast.middle)
    high = "never" if forecast.high_never else z(forecast.high)
    return z(at), location, z(forecast.low), middle, high


def _write(path: Path, header: Sequence[str], rows: Iterator[tuple[str, ...]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def run_replay(
    folder: Path,
    out: Path,
    progress: bool,
    rules: AlertRules,
    workers: int = 1,
    criteria: CriteriaBook | None = None,
) -> ReplayResult:
    """Replay a folder with job.json and readings.csv and write what the program would have said.

    Long recordings are shared out to `workers` processes.
    """
    job, arrivals = load_job_file(folder / "job.json"), read_arrivals(folder / "readings.csv")
    shared = workers if len(arrivals.rows) >= _LONG_ROWS else 1
    outcome = replay(job, arrivals, rules, progress=progress, workers=shared, criteria=criteria)
    write_result(outcome, out, job, rules)
    return outcome
