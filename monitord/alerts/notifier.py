"""One round of telling: news and digests into the outbox, the outbox out, the state to who listens."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol

from sqlalchemy import Connection

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.messages.digest import Overview, compose_digest, due_since
from monitord.alerts.sending.channels.base import Channel
from monitord.alerts.sending.dispatcher import Dispatched, Dispatcher
from monitord.alerts.sending.outbox import enqueue_news
from monitord.alerts.system.system_alerts import watch_over
from monitord.clock import Clock
from monitord.errors import MonitordError
from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.jobs import JobFile
from monitord.store import alerts as stored_alerts
from monitord.store import assessments
from monitord.store import jobs as stored_jobs
from monitord.store import outbox as stored_outbox
from monitord.store import pauses as stored_pauses
from monitord.store.db.database import Database

_log = logging.getLogger(__name__)
_KEEP = timedelta(days=90)
"""How long finished messages are kept in full; the log of them stays."""
_WATCH_EVERY = timedelta(seconds=30)
_LOOK_BACK = timedelta(days=8)


class StatePublisher(Protocol):
    """Something that is shown the state of alerts, such as `channels.mqtt_state.MqttState`."""

    def show(self, alerts: Iterable[Alert], assessments: Iterable[JobAssessment] = ()) -> int:
        """Take the latest episode of every alert, and of running jobs the assessments; how many messages that made."""
        ...


class Notifier:
    """Everything between the stored alerts and people.

    Parameters
    ----------
    channels : opened by `channels.opening.open_channels`.
    publisher : shown the alerts at every round; None: nobody listens.
    disk : a path on the disk whose free space is watched.
    holder, hold_s : where several processes send, as `Dispatcher` has them.
    """

    def __init__(
        self,
        db: Database,
        clock: Clock,
        settings: AlertSettings,
        rules: AlertRules,
        channels: Mapping[str, Channel],
        publisher: StatePublisher | None = None,
        disk: Path | None = None,
        holder: str | None = None,
        hold_s: float = 60.0,
    ) -> None:
        self._db = db
        self._clock = clock
        self._settings = settings
        self._rules = rules
        self._publisher = publisher
        self._disk = disk
        self._watched_at: datetime | None = None
        self._assessed: dict[str, tuple[datetime, JobAssessment | None]] = {}
        self._dispatcher = Dispatcher(db, channels, clock, settings, holder=holder, hold_s=hold_s)

    def run_once(self, patience_s: float = 5.0, *, decides: bool = True) -> Dispatched:
        """One round. A part that fails is logged and does not keep the others from their work.

        `decides`: False where another process decides what is to be told, and this one only helps to send it.
        """
        if decides:
            self._decide(self._clock.now())
        return self._dispatcher.run_once(patience_s)

    def _decide(self, as_of: datetime) -> None:
        if self._watched_at is None or as_of - self._watched_at >= _WATCH_EVERY:
            self._watched_at = as_of
            self._try("look over gateways", lambda: watch_over(self._db, self._rules, as_of, self._disk))
        self._try("write news", lambda: enqueue_news(self._db, self._settings, self._rules, as_of))
        self._try("write digests", lambda: enqueue_digests(self._db, self._settings, as_of))
        if self._publisher is not None:
            self._try("publish the state", self._publish)

    def tidy(self) -> int:
        """Remove what is no longer needed; once a day is enough. How many messages went."""
        with self._db.write() as conn:
            return stored_outbox.forget_before(conn, self._clock.now() - _KEEP)

    def stop(self, timeout_s: float = 10.0) -> None:
        """Finish what is being sent, within a time. Safe to call twice."""
        self._dispatcher.stop(timeout_s)

    def _publish(self) -> None:
        if self._publisher is not None:
            with self._db.read() as conn:
                alerts = stored_alerts.latest_alerts(conn)
                known = self._latest_assessments(conn)
            self._publisher.show(alerts, known)

    def _latest_assessments(self, conn: Connection) -> list[JobAssessment]:
        """Of the jobs that are running; each is read once."""
        now, made = self._clock.now(), assessments.made_at(conn)
        running = [job.job for job in stored_jobs.list_jobs(conn) if _running(job, now) and job.job in made]
        self._assessed = {job: self._assessed[job] for job in running if job in self._assessed}
        for job in running:
            if job not in self._assessed or self._assessed[job][0] != made[job]:
                self._assessed[job] = (made[job], assessments.latest_assessment(conn, job))
        return [found for _, found in self._assessed.values() if found is not None]

    @staticmethod
    def _try(what: str, work: Callable[[], object]) -> None:
        try:
            work()
        except MonitordError as error:
            _log.error("could not %s: %s", what, error.message)
        except Exception:
            _log.exception("could not %s; the rest of the round goes on", what)


def enqueue_digests(db: Database, settings: AlertSettings, as_of: datetime) -> int:
    """Write the digests that are due, each person's in one commit; how many messages that were."""
    with db.read() as conn:
        last = stored_outbox.last_digests(conn)
    written = 0
    for person in settings.people:
        due = due_since(person, last.get(person.id), as_of)
        if due is None:
            continue
        hour, since = due
        messages = compose_digest(person, settings, _overview(db, as_of), hour, since, as_of)
        with db.write() as conn:
            written += sum(stored_outbox.enqueue(conn, message) for message in messages)
    return written


def _overview(db: Database, as_of: datetime) -> Overview:
    with db.read() as conn:
        jobs = [job for job in stored_jobs.list_jobs(conn) if _running(job, as_of)]
        found = {job.job: assessments.latest_assessment(conn, job.job) for job in jobs}
        open_ = stored_alerts.open_alerts(conn)
        recent = stored_alerts.changed_since(conn, as_of - _LOOK_BACK)
        paused = stored_pauses.standing(conn, as_of)
    seen = {(alert.fingerprint, alert.episode) for alert in open_}
    alerts = [*open_, *(a for a in recent if (a.fingerprint, a.episode) not in seen)]
    return Overview(jobs, {job: one for job, one in found.items() if one is not None}, alerts, paused)


def _running(job: JobFile, as_of: datetime) -> bool:
    return job.start <= as_of and (job.end is None or as_of < job.end)
