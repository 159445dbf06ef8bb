"""The daemon: the one place that picks the real parts, starts them in order, watches them and lets them go."""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from socket import socket
from typing import TYPE_CHECKING

from monitord.alerts.lifecycle.rule_files import rule_book
from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.sending.channels.base import Channel
from monitord.alerts.sending.channels.opening import open_channels
from monitord.clock import Clock, SystemClock
from monitord.daemon.resources import Resources
from monitord.daemon.schedule import Scheduler, Task
from monitord.daemon.shared_work import LEASE_S, SharedWork, shares_work
from monitord.daemon.web_server import WebServer, bound
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.roles import DaemonRole
from monitord.model.config.settings import Settings
from monitord.model.readiness.criteria_files import CriteriaBook, criteria_book
from monitord.store import mirror as stored_mirror
from monitord.store.access import people
from monitord.store.db.database import Database, server_url
from monitord.store.db.integrity import file_of
from monitord.store.maintenance.one_daemon import Lock, lock_of
from monitord.store.maintenance.partitions import keep_partitions
from monitord.store.series.keeping import open_store

if TYPE_CHECKING:  # a second and more: loaded by the roles that need it, when readings come in already
    from monitord.daemon.maintenance import IntegrityWatch

_log = logging.getLogger(__name__)
STOP_S = 20.0
"""How long a clean stop may take at most; the service unit grants more. [s]"""
HANG_S = 120.0
"""A loop that stands still for longer than this, with work to do, counts as hung (our choice): one step of any of them
takes seconds at most, also on a small machine. [s]"""
_LOCK_S = 30.0
_DAY_S = 86_400.0
_HOUR_S = 3600.0
_ASSESS, _MIRROR, _ROLL_UP, _PARTITION = "assess", "mirror", "roll up hours", "make partitions"
_TELL, _UPKEEP = "decide whom to tell", "upkeep"
"""Groups of tasks that one process at a time does."""
_BEHIND = timedelta(minutes=15)
"""As the rule `assessment_behind` has it."""


class Daemon:
    """Ingest, assessment, alerts and dashboard in one process, from `start` to `stop`; or some of these roles.

    Parameters
    ----------
    roles : what this process does of work that it shares with others; none: everything, and alone.
    member : name among several processes with the role `ingest`; None: it is the only one.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock | None = None,
        roles: Collection[DaemonRole] = (),
        member: str | None = None,
    ) -> None:
        self.settings = settings
        self._roles = frozenset(roles or DaemonRole)
        self._shares = shares_work(settings, roles, member)
        self._member = member
        self._shared: SharedWork | None = None
        self.clock = clock or SystemClock()
        self.url = ""
        """Where the dashboard is, once started."""
        self.assessed_at: datetime | None = None
        """As of when the last round of assessments was made."""
        self._consumer: Consumer | None = None
        self._scheduler: Scheduler | None = None
        self._unassessed_since: datetime | None = None
        self._assess_memory: tuple[int, int] | None = None
        self._owned = False
        self._parts = Resources()
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
        """See that the settings hold, and take readings in: what the other parts load takes longer than all of that."""
        settings, parts, where = self.settings, self._parts, self.settings.web
        rules, topics = rule_book(settings.alerts.rules_file), TopicRules(settings.topics)
        criteria, channels = criteria_book(settings.criteria.folder), open_channels(settings.alerts)
        self._lock = lock = lock_of(settings.database.url, shared=self._shares)
        lock.take()
        parts.add("lock", lambda _: lock.release(), lambda: lock.lost)
        db = open_store(settings, migrate=lock.alone)
        parts.add("database", lambda _: db.close())
        lock.share()
        if self._shares:
            self._shared = shared = SharedWork(db, self._roles)
            shared.announce()
            parts.add("shared work", lambda _: shared.leave())
        with db.read() as conn:
            self._owned = people.owners(conn) > 0
        listener = None
        if DaemonRole.WEB in self._roles:
            listener = bound(where.host, where.port, where.certificate, where.key)
            parts.add("port of the dashboard", lambda _: listener.close())
        if DaemonRole.INGEST in self._roles:
            self._ingest(db, topics)

        self._scheduler = scheduler = Scheduler(self.clock)
        web = None if listener is None else self._web(db, listener)
        tasks = self._always(db)
        if DaemonRole.NOTIFY in self._roles:
            tasks += self._notify(db, rules, channels)
        if DaemonRole.ASSESS in self._roles:
            tasks += [*self._assess(db, rules, criteria, scheduler), *self._mirror(db, scheduler)]
        parts.add("scheduler", scheduler.stop, scheduler.failure)
        for task in tasks:
            scheduler.add(task)
        parts.stop_first("ingest")
        if web is not None:
            web.start()
            self.url = web.url
        scheduler.start()

    def _web(self, db: Database, listener: socket) -> WebServer:
        """The dashboard."""
        from monitord.web.app import create_app

        where = self.settings.web
        app = create_app(db, self.clock, self.settings, self.health_problem, lambda: self._assess_memory)
        web = WebServer(app, where.host, where.port, where.certificate, where.key, listener)
        self._parts.add("web", web.stop, web.failure)
        return web

    def _ingest(self, db: Database, topics: TopicRules) -> None:
        """Take readings in."""
        settings = self.settings
        self._consumer = consumer = Consumer(
            settings.all_brokers, db, self.clock, topics, settings.quarantine, self._member
        )
        self._parts.add(
            "ingest", consumer.stop, lambda: None if consumer.status.running else "one of its threads has ended"
        )
        consumer.start()

    def _leads(self, task: str) -> bool:
        """Whether this process does what only one may do."""
        return self._shared is None or self._shared.leads(task)

    def _alone(self, group: str, task: Task) -> Task:
        """A task that one process does, whichever leads its group at the time."""
        return replace(task, work=lambda: task.work() if self._leads(group) else None)

    def _always(self, db: Database) -> list[Task]:
        """What every process does."""
        from monitord.daemon.maintenance import IntegrityWatch

        tasks = []
        if self._lock is not None:
            tasks.append(Task("hold the database", self._lock.keep, _LOCK_S))
        self._integrity = IntegrityWatch(db)
        tasks.append(Task("look over the database", self._integrity.look, _DAY_S, at_start=True))
        if (shared := self._shared) is not None:

            def announce() -> None:
                if self.hang() is None:
                    shared.announce()

            tasks.append(Task("say who works", announce, shared.announce_s))
        return tasks

    def _notify(self, db: Database, rules: AlertRules, channels: Mapping[str, Channel]) -> list[Task]:
        """What tells people, and how often."""
        from monitord.alerts.notifier import Notifier
        from monitord.alerts.sending.channels.mqtt_state import MqttState
        from monitord.alerts.sending.heartbeat import Heartbeat

        settings, clock, shared = self.settings, self.clock, self._shared
        publisher = None
        if settings.alerts.mqtt_state.enabled:
            publisher = MqttState(settings.broker, settings.alerts.mqtt_state.prefix, rules)
            self._parts.add("alert state", publisher.stop)
            if shared is None:
                publisher.start()
        file, often = file_of(settings.database.url), settings.assess.interval_s
        notifier = Notifier(
            db,
            clock,
            settings.alerts,
            rules,
            channels,
            publisher,
            file.parent if file else None,
            holder=None if shared is None else shared.id,
            hold_s=max(LEASE_S if shared is None else shared.lease_s, 3.0 * often),
        )
        self._parts.add("messages", notifier.stop)

        def tell() -> None:
            leads = self._leads(_TELL)
            if publisher is not None:
                publisher.start() if leads else publisher.stop()
            notifier.run_once(decides=leads)

        tasks = [
            Task("tell people", tell, often),
            self._alone(_TELL, Task("forget old messages", notifier.tidy, _DAY_S)),
        ]
        if settings.alerts.heartbeat.url is not None:
            heartbeat = Heartbeat(settings.alerts.heartbeat, self.health_problem)
            beat = Task("send a sign of life", heartbeat.beat, settings.alerts.heartbeat.interval_s)
            tasks.append(self._alone(_TELL, beat))
        if shared is not None:
            tasks.append(Task("lead in telling people", lambda: self._leads(_TELL), shared.announce_s))
        return tasks

    def _assess(self, db: Database, rules: AlertRules, criteria: CriteriaBook, scheduler: Scheduler) -> list[Task]:
        """What assesses, what is done from time to time, and how often."""
        from monitord.daemon.maintenance import Backups, archive_ended, tidy_quarantine
        from monitord.ingest.forecast_files import ForecastFiles
        from monitord.pipeline import AssessmentCaches, assess_pending, mark_running, renew_hours

        settings, clock, shared = self.settings, self.clock, self._shared
        caches = AssessmentCaches(settings.assess.memory_mb)
        self._assess_memory = (0, 0)

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
                criteria=criteria,
                claims=shared,
            )
            self.assessed_at = done.as_of
            self._assess_memory = (caches.with_room, caches.without_room)
            self._unassessed_since = (self._unassessed_since or began) if done.failed else None

        tasks = [Task(_ASSESS, assess, settings.assess.interval_s)]
        alone = [
            Task("look for silence", lambda: mark_running(db, clock), settings.assess.timer_s),
            Task("tidy quarantine", lambda: tidy_quarantine(db, clock, settings.quarantine), _HOUR_S),
        ]
        if shared is not None:

            def roll_up() -> None:
                renew_hours(db, clock.now(), lambda: scheduler.moved(_ROLL_UP))

            alone.append(Task(_ROLL_UP, roll_up, settings.assess.interval_s))
            tasks.append(Task("lead in upkeep", lambda: self._leads(_UPKEEP), shared.announce_s))
        file = file_of(settings.database.url)
        if server_url(settings.database.url) is not None:

            def partition() -> None:
                keep_partitions(db, clock.now(), lambda: scheduler.moved(_PARTITION))

            alone.append(Task(_PARTITION, partition, _HOUR_S, at_start=True))
        if file is not None and settings.backup.folder is not None:
            backups = Backups(file, settings.backup, clock)
            alone.append(Task("back up", backups.make_if_due, _HOUR_S, at_start=True))
        if settings.archive.after_days is not None:

            def archive() -> None:
                archive_ended(db, clock, settings.archive, criteria, settings.analysis, lambda: scheduler.stopping)

            alone.append(Task("archive readings", archive, _DAY_S, at_start=True))
        if settings.outdoor_forecast.file is not None:
            files = ForecastFiles(settings.outdoor_forecast.file, db)
            alone.append(
                Task("read forecasts", lambda: files.look_for_running(clock), settings.outdoor_forecast.every_s)
            )
        return [*tasks, *(self._alone(_UPKEEP, task) for task in alone)]

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
        shared = self._shared
        mirror = Mirror(
            db,
            self.clock,
            server,
            lambda: scheduler.moved(_MIRROR),
            lambda: scheduler.stopping,
            (lambda _: None) if shared is None else lambda conn: shared.confirm(conn, _UPKEEP),
        )
        return [self._alone(_UPKEEP, Task(_MIRROR, mirror.run_once, settings.every_s, at_start=True))]

    def what_runs(self) -> str:
        """The dashboard's address and whom it answers, and the roles where work is shared; for the log."""
        parts = [f"dashboard at {self.url} ({self._who_may_come()})"] if self.url else []
        if self._shares:
            parts.append(f"roles {', '.join(sorted(self._roles))}")
        return "; ".join(parts)

    def _who_may_come(self) -> str:
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
        return None if self._shared is None else self._shared.missing()

    def stop(self, timeout_s: float = STOP_S) -> bool:
        """Stop every part, ingest first, within a time; True if all went well. Safe to call twice."""
        return self._parts.stop(timeout_s)
