"""`monitord demo`: a simulated house whose probes publish over a real broker, watched by the daemon itself.

Everything is what `monitord run` uses but four things: the embedded broker, a database in a temporary folder, a clock
that runs faster, and limits of silence to suit (at thousands of simulated seconds in a second, a moment's load on
this machine would otherwise look like an hour of silence).
"""

from __future__ import annotations

import signal
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from monitord.clock import AcceleratedClock
from monitord.daemon import Daemon
from monitord.errors import ConfigurationError
from monitord.ingest.broker import EmbeddedBroker
from monitord.logs import set_up_logging
from monitord.model.alerts import Alert, AlertEvent
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import SurfaceRisk
from monitord.model.jobs import JobFile
from monitord.model.settings import Settings
from monitord.store import alerts as stored_alerts
from monitord.store.assessments import latest_assessment
from monitord.store.database import Database
from monitord.store.jobs import apply_job
from simulators.demo import FACTOR, Demo, demo
from simulators.publish import Publisher, play

_LOOK_S = 0.25
_SETTLE_S = 1.5
"""Real time after the last message in which the daemon catches up. [s]"""
_PATIENCE_S = 3.0
"""Real time without a reading that is this machine's doing rather than a probe's silence. [s]"""
_TOLD = {"opened": "[bold]alert opened[/]", "closed": "alert closed"}
_LEVELS = {"none": "no risk", "watch": "watch", "warn": "warning", "act": "condensing more likely than not"}


class DemoClock:
    """Stands at the start until it is begun, then runs fast, and stands again once it is held."""

    def __init__(self, start: datetime, factor: float) -> None:
        self._start, self._factor = start, factor
        self._running: AcceleratedClock | None = None
        self._held: datetime | None = None

    def begin(self) -> None:
        """Let time run."""
        self._running = AcceleratedClock(self._start, self._factor)

    def hold(self) -> None:
        """Stop time: what is shown stays as it is, and nothing grows older."""
        self._held = self.now()

    def now(self) -> datetime:
        """The simulated time, aware, UTC."""
        if self._held is not None:
            return self._held
        return self._start if self._running is None else self._running.now()

    def wait_s(self, duration_s: float) -> float:
        """Real seconds that `duration_s` simulated seconds take; without end once time is held. [s]"""
        return duration_s / self._factor if self._held is None else float("inf")


class Narrator:
    """Tells on the terminal what happens to alerts and to cold surfaces, in the order in which it happens."""

    def __init__(self, db: Database, job: JobFile) -> None:
        self._db, self._job = db, job
        self._told_events = 0
        self._levels: dict[str, str] = {}

    def news(self) -> list[str]:
        """What has happened since it was last asked."""
        with self._db.read() as conn:
            events = stored_alerts.events(conn)[self._told_events :]
            alerts = [stored_alerts.get_alert(conn, event.fingerprint, event.episode) for event in events]
            assessment = latest_assessment(conn, self._job.job)
        self._told_events += len(events)
        told = [
            (event.at, f"{_TOLD[event.event]}: {self._about(alert)}{_detail(event, alert)}")
            for event, alert in zip(events, alerts, strict=True)
            if event.event in _TOLD and alert is not None
        ]
        for place in assessment.locations if assessment is not None else ():
            if place.surface is not None and place.surface.level != self._levels.get(place.location, "none"):
                self._levels[place.location] = place.surface.level
                told.append((place.surface.at, self._surface(place.location, place.surface)))
        return [f"{at.astimezone(self._job.zone):%a %d %b %H:%M}  {line}" for at, line in sorted(told)]

    def _surface(self, location: str, risk: SurfaceRisk) -> str:
        return (
            f"{self._job.location(location).label}: {_LEVELS[risk.level]}; surface {risk.margin.value:+.1f} K from the "
            f"dew point, condensation {100 * risk.probability:.0f} %"
        )

    def _about(self, alert: Alert) -> str:
        place = self._job.location(alert.location).label if alert.location is not None else ""
        parts = alert.kind.replace("_", " "), place, f"probe {alert.probe}" if alert.probe else ""
        return ", ".join(part for part in parts if part)


def _detail(event: AlertEvent, alert: Alert) -> str:
    return f". {alert.finding.summary}" if event.event == "opened" else ""


def run_demo(speed: float | None = None, port: int = 8080, exit_at_end: bool = False) -> int:
    """Show the simulated house; returns the exit code.

    Parameters
    ----------
    speed : simulated seconds in a second; None: as the scene is meant to be watched.
    port : of the dashboard; if it is taken, a free one.
    exit_at_end : False keeps the dashboard until Ctrl-C.
    """
    set_up_logging("error")
    console, stop = Console(highlight=False), threading.Event()
    with _signals_set(stop), tempfile.TemporaryDirectory(prefix="monitord-demo-") as folder, EmbeddedBroker() as broker:
        console.print("Simulating the house ...")
        scene = demo()
        job = JobFile.model_validate(scene.job).model_copy(update={"end": None})  # it stays open once the scene is over
        clock = DemoClock(scene.start, speed or FACTOR)
        settings = _settings(Path(folder), broker, port, _PATIENCE_S * (speed or FACTOR))
        db = Database.open(settings.database.url)
        with db.write() as conn:
            apply_job(conn, job)
        daemon = _started(settings, clock)
        try:
            _introduce(console, daemon, job, scene, clock)
            _watch(console, Narrator(db, job), scene, clock, broker.port, stop)
            if not exit_at_end and not stop.is_set():
                console.print(f"\nThe simulation has ended. The dashboard stays at {daemon.url} until Ctrl-C.")
                while not stop.wait(1.0) and daemon.ailment() is None:
                    pass
        finally:
            daemon.stop()
            db.close()
    return 0


def _settings(folder: Path, broker: EmbeddedBroker, port: int, patience_s: float) -> Settings:
    """Settings for a clock on which `patience_s` passes in a moment of this machine. [s]"""
    usual = AnalysisOptions().silent_interval_floor_s
    rules = folder / "rules.toml"
    rules.write_text(
        f"[rules.condensation]\nmax_gap_s = {max(10_800.0, patience_s):.1f}\n"
        f"[rules.gateway_silent]\nraise_at = {5.0 + patience_s / usual:.1f}\n"
        f"[rules.assessment_behind]\nraise_at = {3.0 * patience_s:.1f}\n",
        encoding="utf-8",
    )
    return Settings.model_validate(
        {
            "database": {"url": f"sqlite:///{folder}/demo.sqlite3"},
            "broker": broker.settings().model_copy(update={"batch_wait_s": 0.05}),
            "assess": {"interval_s": 3600.0, "timer_s": 3600.0},
            "analysis": {"silent_interval_floor_s": max(usual, patience_s / 6.0)},
            "alerts": {"rules_file": str(rules)},
            "web": {"port": port},
        }
    )


def _started(settings: Settings, clock: DemoClock) -> Daemon:
    """A running daemon, on another port if the wanted one is taken."""
    daemon = Daemon(settings, clock)
    try:
        daemon.start()
    except ConfigurationError as error:
        if error.where != "web.port" or settings.web.port == 0:
            raise
        free = settings.model_copy(update={"web": settings.web.model_copy(update={"port": 0})})
        daemon = Daemon(free, clock)
        daemon.start()
    return daemon


def _introduce(console: Console, daemon: Daemon, job: JobFile, scene: Demo, clock: DemoClock) -> None:
    days = (scene.end - scene.start).total_seconds() / 86_400.0
    lasts = clock.wait_s((scene.end - scene.start).total_seconds())
    console.print(
        f"\n[bold]{job.label}[/]: {len(job.locations)} places, {len(job.probes)} probes, {days:.0f} days in "
        f"{lasts:.0f} seconds. A machine's tank fills up, the night is cold, and later a battery gives up."
    )
    console.print(f"\nDashboard: [bold]{daemon.url}[/] (this machine only; it asks for no password)\n")


def _watch(
    console: Console, narrator: Narrator, scene: Demo, clock: DemoClock, port: int, stop: threading.Event
) -> None:
    """Let the probes publish, and tell what happens, until the scene ends or someone stops it."""
    probes = _Probes(scene, clock, port, stop)
    length_s = (scene.end - scene.start).total_seconds()
    columns = TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("", total=length_s)
        clock.begin()
        probes.start()
        while probes.is_alive() and not stop.wait(_LOOK_S):
            now = clock.now()
            progress.update(task, completed=(now - scene.start).total_seconds(), description=f"{now:%a %d %b %H:%M}")
            _tell(console, narrator)
        stop.wait(_SETTLE_S)
        clock.hold()
        stop.wait(_SETTLE_S)
        _tell(console, narrator)
    probes.join(5.0)
    if probes.failure is not None:
        raise probes.failure


def _tell(console: Console, narrator: Narrator) -> None:
    for line in narrator.news():
        console.print(line, soft_wrap=True)


class _Probes(threading.Thread):
    """Publishes what the probes send when the clock reaches its time."""

    def __init__(self, scene: Demo, clock: DemoClock, port: int, stop: threading.Event) -> None:
        super().__init__(name="demo-probes", daemon=True)
        self.failure: Exception | None = None
        self._scene, self._clock, self._port, self._stop_asked = scene, clock, port, stop

    def run(self) -> None:
        """Publish until the end, or until someone stops it."""
        try:
            with Publisher("127.0.0.1", self._port) as publisher:
                play(self._scene.messages(), publisher, self._wait_until)
        except _StoppedError:
            pass
        except Exception as error:
            self.failure = error

    def _wait_until(self, time_s: float) -> None:
        ahead = datetime.fromtimestamp(time_s, UTC) - self._clock.now()
        if self._stop_asked.wait(max(0.0, self._clock.wait_s(ahead / timedelta(seconds=1)))):
            raise _StoppedError


class _StoppedError(Exception):
    """Someone stopped the demo."""


@contextmanager
def _signals_set(stop: threading.Event) -> Iterator[None]:
    """SIGINT and SIGTERM set an event; afterwards they do what they did before."""

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
