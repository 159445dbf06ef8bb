"""`monitord demo`: a simulated house whose probes publish over a real broker, watched by the daemon itself.

Everything is what `monitord run` uses but these: the embedded broker, a database in a temporary folder, and a clock
that runs faster, with a limit for being behind that suits it. The clock waits for the daemon: on a busy machine the
demo takes longer, and shows the same.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import threading
import time
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from monitord.access.signing_in import enter_link
from monitord.daemon.logs import set_up_logging
from monitord.daemon.wiring import Daemon
from monitord.errors import ConfigurationError
from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.model.alerts import Alert, AlertEvent
from monitord.model.assessments import LocationAssessment, State, SurfaceRisk
from monitord.model.config.settings import Settings
from monitord.model.jobs import JobFile
from monitord.store import alerts as stored_alerts
from monitord.store.assessments import latest_assessment
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.series.keeping import open_store
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker
from monitord.text.states import state_name, state_sentence
from simulators.demo.house import FACTOR, Demo, demo
from simulators.publish import Publisher, play

_LOOK_S = 0.25
_SETTLE_S = 1.5
"""Real time after the last message in which the daemon catches up. [s]"""
_MAX_WAITING = 28
"""Messages that may wait for their commit before time is held up: 35 simulated minutes of this house, well under the
hour after which a probe is called silent."""
_ASSESSED_WITHIN = timedelta(hours=2)
"""How far time may be ahead of the last assessment before it is held up: with what waits to be committed, still under
the three hours between two known values that restart a hold time."""
_LINK_LASTS = timedelta(days=365)
"""Of simulated time, which runs fast."""
_RULES = """\
[rules.assessment_behind]
raise_at = 21600
"""
_CATCH_UP_S = 0.2
"""How far the pace may fall behind and still make it good; what is more is lost. [s]"""
_TOLD = {"opened": "[bold]alert opened[/]", "closed": "alert closed"}
_LEVELS = {"warn": "warning", "act": "condensing more likely than not"}
_CALM = "no warning any more"


class DemoClock:
    """Simulated time, moved on by the probes as they publish; it stands at the start and again at the end."""

    def __init__(self, start: datetime, factor: float) -> None:
        self._now, self._factor = start, factor

    def now(self) -> datetime:
        """The simulated time, aware, UTC."""
        return self._now

    def set(self, time: datetime) -> None:
        """Move time on; it never goes back."""
        self._now = max(self._now, time)

    def end(self) -> None:
        """Time has come to its end: nothing grows older."""
        self._factor = 0.0

    def wait_s(self, duration_s: float) -> float:
        """Real seconds that `duration_s` simulated seconds take; without end once time has ended. [s]"""
        return duration_s / self._factor if self._factor else float("inf")


class Narrator:
    """Prints what happens to alerts, states and cold surfaces, in the order in which it happens."""

    def __init__(self, db: Database, job: JobFile) -> None:
        self._db, self._job = db, job
        self._told_events = 0
        self._levels: dict[str, str] = {}
        self._states: dict[str, State] = {}

    def news(self) -> list[str]:
        """What has happened since it was last asked."""
        with self._db.read() as conn:
            events = stored_alerts.events(conn)[self._told_events :]
            alerts = [stored_alerts.get_alert(conn, event.fingerprint, event.episode) for event in events]
            assessment = latest_assessment(conn, self._job.job)
        self._told_events += len(events)
        told = [
            (event.at, f"{_TOLD[event.event]}: {self._about(alert)}{self._detail(event, alert)}")
            for event, alert in zip(events, alerts, strict=True)
            if event.event in _TOLD and alert is not None
        ]
        if assessment is None:
            return []
        for location in assessment.locations:
            begun = location.last_reading_at is not None and location.state is not State.RECORDED_ONLY
            if begun and location.state is not self._states.get(location.location):
                self._states[location.location] = location.state
                told.append((assessment.as_of, self._state(location, assessment.as_of)))
            level = _LEVELS.get(location.surface.level, _CALM) if location.surface is not None else _CALM
            if location.surface is not None and level != self._levels.get(location.location, _CALM):
                self._levels[location.location] = level
                told.append((location.surface.at, self._surface(location.location, level, location.surface)))
        return [f"{at.astimezone(self._job.zone):%a %d %b %H:%M}  {line}" for at, line in sorted(told)]

    def _state(self, location: LocationAssessment, at: datetime) -> str:
        speaker = Speaker(language(), self._job.zone, at)
        said = state_sentence(speaker, location.state, location.facts)
        return f"{self._job.location(location.location).label}: {state_name(speaker, location.state)}. {said}"

    def _surface(self, location: str, level: str, risk: SurfaceRisk) -> str:
        return (
            f"{self._job.location(location).label}: {level}; surface {risk.margin.value:+.1f} K from the "
            f"dew point, condensation {100 * risk.probability:.0f} %"
        )

    def _detail(self, event: AlertEvent, alert: Alert) -> str:
        speaker = Speaker(language(), self._job.zone, event.at)
        return f". {AlertSpeaker(speaker, alert).opening()}" if event.event == "opened" else ""

    def _about(self, alert: Alert) -> str:
        location = self._job.location(alert.location).label if alert.location is not None else ""
        parts = alert.kind.replace("_", " "), location, f"probe {alert.probe}" if alert.probe else ""
        return ", ".join(part for part in parts if part)


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
        settings = _settings(Path(folder), broker, port)
        db = open_store(settings)
        with db.write() as conn:
            apply_job(conn, job)
        daemon = _started(settings, clock)
        try:
            with db.write() as conn:
                secret = enter_link(conn, "visitor", "Visitor", clock.now(), _LINK_LASTS)
            _introduce(console, f"{daemon.url}enter/{secret}", job, scene, clock)
            _show_in_browser(f"{daemon.url}enter/{secret}")
            probes = _Probes(scene, clock, daemon, broker.port, stop)
            _watch(console, Narrator(db, job), scene, probes, stop)
            clock.end()
            if not exit_at_end and not stop.is_set():
                console.print(f"\nThe simulation has ended. The dashboard stays at {daemon.url} until Ctrl-C.")
                while not stop.wait(1.0) and daemon.failure() is None:
                    pass
        finally:
            daemon.stop()
            db.close()
    return 0


def _settings(folder: Path, broker: EmbeddedBroker, port: int) -> Settings:
    """The defaults, with intervals in simulated time: an hour of it is half a second."""
    rules = folder / "rules.toml"
    rules.write_text(_RULES, encoding="utf-8")
    return Settings.model_validate(
        {
            "database": {"url": f"sqlite:///{folder}/demo.sqlite3"},
            "broker": broker.settings().model_copy(update={"batch_wait_s": 0.05}),
            "assess": {"interval_s": 1800.0, "timer_s": 3600.0},
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


def _introduce(console: Console, link: str, job: JobFile, scene: Demo, clock: DemoClock) -> None:
    days = (scene.end - scene.start).total_seconds() / 86_400.0
    lasts = clock.wait_s((scene.end - scene.start).total_seconds())
    console.print(
        f"\n[bold]{job.label}[/]: {len(job.locations)} locations, {len(job.probes)} probes, {days:.0f} days in "
        f"{lasts:.0f} seconds. A machine's tank fills up, the night is cold, and later a battery gives up."
    )
    console.print(f"\nDashboard: [bold]{link}[/]\n(this machine only; the link signs you in, once)\n", soft_wrap=True)


def _show_in_browser(link: str) -> None:
    """Open the dashboard where there is a desktop to open it on; a terminal is left alone."""
    desktop = sys.platform in ("darwin", "win32") or any(os.environ.get(n) for n in ("DISPLAY", "WAYLAND_DISPLAY"))
    if desktop and sys.stdout.isatty():
        webbrowser.open(link)


def _watch(console: Console, narrator: Narrator, scene: Demo, probes: _Probes, stop: threading.Event) -> None:
    """Let the probes publish, and tell what happens, until the scene ends or someone stops it."""
    length_s = (scene.end - scene.start).total_seconds()
    columns = TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("", total=length_s)
        probes.start()
        while probes.is_alive() and not stop.wait(_LOOK_S):
            now = probes.clock.now()
            progress.update(task, completed=(now - scene.start).total_seconds(), description=f"{now:%a %d %b %H:%M}")
            _tell(console, narrator)
        stop.wait(_SETTLE_S)
        _tell(console, narrator)
    probes.join(5.0)
    if probes.failure is not None:
        raise probes.failure


def _tell(console: Console, narrator: Narrator) -> None:
    for line in narrator.news():
        console.print(line, soft_wrap=True)


class _Probes(threading.Thread):
    """Publishes what the probes send, and moves the clock to the time of each message."""

    def __init__(self, scene: Demo, clock: DemoClock, daemon: Daemon, port: int, stop: threading.Event) -> None:
        super().__init__(name="demo-probes", daemon=True)
        self.clock = clock
        self.failure: Exception | None = None
        self._scene, self._daemon_watched, self._port, self._stop_asked = scene, daemon, port, stop
        self._sent = 0
        self._due = 0.0

    def run(self) -> None:
        """Publish until the end, or until someone stops it."""
        try:
            with Publisher("127.0.0.1", self._port) as publisher:
                self._due = time.monotonic()
                play(self._scene.messages(), publisher, self._wait_until)
                self.clock.set(self._scene.end)
        except _StoppedError:
            pass
        except Exception as error:
            self.failure = error

    def _wait_until(self, time_s: float) -> None:
        """Wait as the pace asks, and longer while the daemon has not kept up; then it is that time."""
        then = datetime.fromtimestamp(time_s, UTC)
        self._due += self.clock.wait_s(max(0.0, (then - self.clock.now()).total_seconds()))
        self._due = max(self._due, time.monotonic() - _CATCH_UP_S)
        self._rest(max(0.0, self._due - time.monotonic()))
        while self._behind(then):
            self._rest(0.005)
        self.clock.set(then)
        self._sent += 1

    def _behind(self, then: datetime) -> bool:
        assessed = self._daemon_watched.assessed_at or self._scene.start
        return self._sent - self._daemon_watched.committed > _MAX_WAITING or then - assessed > _ASSESSED_WITHIN

    def _rest(self, pause_s: float) -> None:
        if self._stop_asked.wait(pause_s) if pause_s else self._stop_asked.is_set():
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
