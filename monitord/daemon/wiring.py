"""The daemon: the one place that picks the real parts, starts them in order, watches them and lets them go."""

from __future__ import annotations

import faulthandler
import logging
import os
import signal
import threading
from datetime import datetime, timedelta
from types import FrameType

from monitord.alerts.lifecycle.rule_files import rule_book
from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.notifier import Notifier
from monitord.alerts.sending.channels.mqtt_state import MqttState
from monitord.alerts.sending.channels.opening import open_channels
from monitord.alerts.sending.heartbeat import Heartbeat
from monitord.clock import Clock, SystemClock
from monitord.daemon.logs import set_up_logging
from monitord.daemon.maintenance import Backups, IntegrityWatch, archive_ended, tidy_quarantine
from monitord.daemon.resources import Resources
from monitord.daemon.schedule import Scheduler, Task
from monitord.daemon.systemd import ServiceManager
from monitord.daemon.web_server import WebServer
from monitord.errors import MonitordError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.forecast_files import ForecastFiles
from monitord.ingest.gc_tuning import calm_garbage_collection
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.settings import Settings
from monitord.model.readiness.criteria_files import built_in, criteria_book
from monitord.pipeline import AssessmentCaches, assess_pending, mark_running
from monitord.store import mirror as stored_mirror
from monitord.store.access import people
from monitord.store.db.database import Database
from monitord.store.db.integrity import file_of
from monitord.store.maintenance.one_daemon import Lock, lock_of
from monitord.store.series.keeping import open_store
from monitord.web.app import create_app

_log = logging.getLogger(__name__)
STOP_S = 20.0
"""How long a clean stop may take at most; the service unit grants more. [s]"""
HANG_S = 120.0
"""A loop that stands still for longer than this, with work to do, counts as hung (our choice): one step of any of them
takes seconds at most, also on a small machine. [s]"""
_WATCH_S = 0.5
_LOCK_S = 30.0
_DAY_S = 86_400.0
_HOUR_S = 3600.0
_ASSESS, _MIRROR = "assess", "mirror"
_BEHIND = timedelta(minutes=15)
"""As the rule `assessment_behind` has it."""


class Daemon:
    """Ingest, assessment, alerts and dashboard in one process, from `start` to `stop`."""

    def __init__(self, settings: Settings, clock: Clock | None = None) -> None:
        self.settings = settings
        self.clock = clock or SystemClock()
        self.url = ""
        """Where the dashboard is, once started."""
        self.assessed_at: datetime | None = None
        """As of when the last round of assessments was made."""
        self._consumer: Consumer | None = None
        self._scheduler: Scheduler | None = None
        self._unassessed_since: datetime | None = None
        self._owned = False
        self._parts = Resources()
        self._criteria = built_in()
        self._integrity: IntegrityWatch | None = None
        self._lock: Lock | None = None

    @property
    def committed(self) -> int:
        """Messages committed since the start."""
        if self._consumer is None:
            return 0
        status = self._consumer.status
        return status.received - status.waiting

    def start(self) -> None:
        """Start every part; if one can't be, stop those that run.

        Raises
        ------
        ConfigurationError : a setting or rule file is wrong, or the dashboard's port is taken.
        StoreError : the database can't be opened or migrated.
        """
        try:
            self._start()
        except BaseException:
            self.stop()
            raise

    def _start(self) -> None:
        settings, clock, parts = self.settings, self.clock, self._parts
        rules, topics = rule_book(settings.alerts.rules_file), TopicRules(settings.topics)
        self._criteria = criteria_book(settings.criteria.folder)
        channels = open_channels(settings.alerts)

        self._lock = lock = lock_of(settings.database.url)
        lock.take()
        parts.add("lock", lambda _: lock.release(), lambda: lock.lost)
        db = open_store(settings)
        parts.add("database", lambda _: db.close())
        self._integrity = IntegrityWatch(db)
        with db.read() as conn:
            self._owned = people.owners(conn) > 0

        where, app = settings.web, create_app(db, clock, settings, self.health_problem)
        web = WebServer(app, where.host, where.port, where.certificate, where.key)
        parts.add("web", web.stop, web.failure)

        publisher = None
        if settings.alerts.mqtt_state.enabled:
            publisher = MqttState(settings.broker, settings.alerts.mqtt_state.prefix, rules)
            parts.add("alert state", publisher.stop)
            publisher.start()

        file = file_of(settings.database.url)
        notifier = Notifier(db, clock, settings.alerts, rules, channels, publisher, file.parent if file else None)
        parts.add("messages", notifier.stop)

        self._consumer = consumer = Consumer(settings.all_brokers, db, clock, topics, settings.quarantine)
        self._scheduler = scheduler = Scheduler(clock)
        tasks = [*self._tasks(db, rules, notifier, scheduler), *self._mirror(db, scheduler)]
        parts.add("scheduler", scheduler.stop, scheduler.failure)
        for task in tasks:
            scheduler.add(task)
        parts.add("ingest", consumer.stop, lambda: None if consumer.status.running else "one of its threads has ended")

        web.start()
        self.url = web.url
        consumer.start()
        scheduler.start()

    def _tasks(self, db: Database, rules: AlertRules, notifier: Notifier, scheduler: Scheduler) -> list[Task]:
        """What is periodic, and how often."""
        settings, clock, caches = self.settings, self.clock, AssessmentCaches()

        def assess() -> None:
            began = clock.now()
            self._unassessed_since = self._unassessed_since or began
            done = assess_pending(
                db,
                clock,
                rules,
                settings.analysis,
                caches,
                moved=lambda: scheduler.moved(_ASSESS),
                criteria=self._criteria,
            )
            self.assessed_at = done.as_of
            self._unassessed_since = (self._unassessed_since or began) if done.failed else None

        tasks = [
            Task(_ASSESS, assess, settings.assess.interval_s),
            Task("look for silence", lambda: mark_running(db, clock), settings.assess.timer_s),
            Task("tell people", notifier.run_once, settings.assess.interval_s),
            Task("forget old messages", notifier.tidy, _DAY_S),
            Task("tidy quarantine", lambda: tidy_quarantine(db, clock, settings.quarantine), _HOUR_S),
        ]
        if self._lock is not None:
            tasks.append(Task("hold the database", self._lock.keep, _LOCK_S))
        if self._integrity is not None:
            tasks.append(Task("look over the database", self._integrity.look, _DAY_S, at_start=True))
        file = file_of(settings.database.url)
        if file is not None and settings.backup.folder is not None:
            backups = Backups(file, settings.backup, clock)
            tasks.append(Task("back up", backups.make_if_due, _HOUR_S, at_start=True))
        if settings.archive.after_days is not None:

            def archive() -> None:
                archive_ended(db, clock, settings.archive, self._criteria, settings.analysis)

            tasks.append(Task("archive readings", archive, _DAY_S, at_start=True))
        if settings.outdoor_forecast.file is not None:
            files = ForecastFiles(settings.outdoor_forecast.file, db)
            tasks.append(
                Task("read forecasts", lambda: files.look_for_running(clock), settings.outdoor_forecast.every_s)
            )
        if settings.alerts.heartbeat.url is not None:
            heartbeat = Heartbeat(settings.alerts.heartbeat, self.health_problem)
            tasks.append(Task("send a sign of life", heartbeat.beat, settings.alerts.heartbeat.interval_s))
        return tasks

    def _mirror(self, db: Database, scheduler: Scheduler) -> list[Task]:
        """The task of the mirror, where there is one."""
        settings = self.settings.mirror
        with db.write() as conn:
            if settings.url is None:
                stored_mirror.switch_off(conn)
                return []
            if stored_mirror.switch_on(conn, settings.target):
                _log.info("the mirror %s is new, and is due every stored reading", settings.url)
        from monitord.daemon.mirror.rounds import Mirror  # its library takes a second to load
        from monitord.store.series.influx.server import Server

        server = Server(settings)
        self._parts.add("mirror", lambda _: server.close())
        mirror = Mirror(db, self.clock, server, lambda: scheduler.moved(_MIRROR), lambda: scheduler.stopping)
        return [Task(_MIRROR, mirror.run_once, settings.every_s, at_start=True)]

    def who_may_come(self) -> str:
        """Whom the dashboard answers, in words for the log."""
        web = self.settings.web
        reach = f"answers to {web.public_url}" if web.public_url is not None else "this machine only"
        if self._owned:
            return reach
        return f"{reach}; nobody owns it yet: `monitord owner link` prints a link to become the owner"

    def failure(self) -> str | None:
        """What has broken for good, or None; a broker or database that is away for a time is not that."""
        return self._parts.failure()

    def hang(self) -> str | None:
        """What stands still although it has work to do, or None: the writer, the broker's link, a periodic task."""
        status = self._consumer.status if self._consumer is not None else None
        if status is not None and status.still_s > HANG_S:
            return f"ingest has not moved for {status.still_s:.0f} s"
        return self._scheduler.hang(HANG_S) if self._scheduler is not None else None

    def health_problem(self) -> str | None:
        """Why it is not well, or None: dead, hung, readings that can't be stored, or assessment that falls behind.

        While there is one, no sign of life goes to the other service, which then raises the alarm.
        """
        wrong = self.failure() or self.hang()
        if wrong is not None:
            return wrong
        if self._integrity is not None and self._integrity.problem is not None:
            return self._integrity.problem
        if self._consumer is not None and (error := self._consumer.status.store_error) is not None:
            return f"the store refuses readings: {error}"
        since = self._unassessed_since
        if since is not None and self.clock.now() - since > _BEHIND:
            return f"no round of assessments has succeeded since {since:%Y-%m-%dT%H:%M:%SZ}"
        return None

    def stop(self, timeout_s: float = STOP_S) -> bool:
        """Stop every part, ingest first, within a time; True if all went well. Safe to call twice."""
        return self._parts.stop(timeout_s)


def run_until_stopped(settings: Settings) -> int:
    """Run the daemon until SIGTERM or SIGINT, or until a part of it dies; returns the exit code."""
    set_up_logging(settings.log.level, form=settings.log.form)
    faulthandler.enable()  # where each thread was, when the service manager kills us for hanging
    stop, reload_asked = threading.Event(), threading.Event()

    def on_signal(number: int, _frame: FrameType | None) -> None:
        (reload_asked if number == signal.SIGHUP else stop).set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, on_signal)
    manager, daemon = ServiceManager.of_environment(os.environ), Daemon(settings)
    try:
        daemon.start()
    except MonitordError as error:
        _log.error("%s", error.message)
        return 1
    calm_garbage_collection()
    _log.info("running; dashboard at %s (%s)", daemon.url, daemon.who_may_come())
    manager.ready(f"dashboard at {daemon.url}")
    failure = _watch(daemon, manager, stop, reload_asked)
    manager.stopping()
    if failure is not None:
        _log.error("stopping, since a part has died: %s", failure)
    clean = daemon.stop()
    _log.info("stopped%s", "" if clean else ", not everything in time")
    return 0 if clean and failure is None else 1


def _watch(daemon: Daemon, manager: ServiceManager, stop: threading.Event, reload_asked: threading.Event) -> str | None:
    """Until a stop is asked for (None) or a part has died (its ailment): look, and give signs of life."""
    hung = False
    while not stop.wait(_WATCH_S):
        if (failure := daemon.failure()) is not None:
            return failure
        hang = daemon.hang()
        if (hang is not None) != hung:
            hung = hang is not None
            _log.error("hangs: %s", hang) if hung else _log.warning("moves again")
        manager.alive(hang)
        if reload_asked.is_set():
            reload_asked.clear()
            _log.warning("settings are read at start only: restart the daemon to apply a change")
    return None
