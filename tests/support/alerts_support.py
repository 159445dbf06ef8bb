"""Builders shared by the tests of alerts."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from monitord.alerts.sending.channels.base import ChannelError
from monitord.model.alerts import Alert, AlertStatus, Severity, fingerprint
from monitord.model.assessments import Finding
from monitord.model.config.alert_settings import AlertSettings, Person
from monitord.model.jobs import JobFile
from monitord.model.messages import Message
from monitord.store.db.database import Database
from monitord.store.db.tables import metadata

T0 = datetime(2025, 3, 1, 12, tzinfo=UTC)


def after(minutes: float) -> datetime:
    """Minutes after the beginning of a test's story."""
    return T0 + timedelta(minutes=minutes)


def alert(kind: str = "condensation", location: str | None = "north", **change: object) -> Alert:
    """An open alert of job J1 at the location north."""
    job, probe, gateway = (
        change.pop(key, default) for key, default in (("job", "J1"), ("probe", None), ("gateway", None))
    )
    about_gateway = gateway if location is None and probe is None else None
    made = Alert(
        fingerprint=fingerprint(str(job), kind, location, probe, about_gateway),  # type: ignore[arg-type]
        episode=1,
        job=str(job),
        kind=kind,
        location=location,
        probe=probe,
        gateway=gateway,
        severity=Severity.WATCH,
        status=AlertStatus.OPEN,
        pending_since=T0,
        opened_at=T0,
        last_evaluated_at=T0,
        finding=Finding(kind=kind, location=location, measured_at=T0, value=0.8, unit="1"),
    )
    return made.model_copy(update=change)


def closed(at: float = 30, **change: object) -> Alert:
    """The same alert, closed again by its value."""
    base: dict[str, object] = {"status": AlertStatus.CLOSED, "closed_at": after(at), "cleared": True}
    return alert(**(base | change))  # type: ignore[arg-type]


def person(id_: str = "anna", **change: object) -> Person:
    """Someone in Helsinki who gets mail."""
    base: dict[str, object] = {"id": id_, "timezone": "Europe/Helsinki", "ways": [{"channel": "mail"}]}
    return Person.model_validate(base | change)


def settings(**change: object) -> AlertSettings:
    """Anna and one channel; no waiting."""
    base: dict[str, object] = {
        "channels": [{"name": "mail", "url": "log://"}],
        "people": [person()],
        "group_wait_s": 0,
        "group_interval_s": 60,
    }
    return AlertSettings.model_validate(base | change)


def job(job_id: str = "J1", **change: object) -> JobFile:
    """A job in Helsinki with one wall."""
    base: dict[str, object] = {
        "job": job_id,
        "name": "Elm Street 5",
        "timezone": "Europe/Helsinki",
        "start": T0 - timedelta(days=1),
        "locations": [{"id": "north", "name": "North wall", "kind": "cavity"}],
    }
    return JobFile.model_validate(base | change)


@dataclass
class HandClock:
    """A clock that stands where it is put."""

    at: datetime = T0

    def now(self) -> datetime:
        return self.at

    def wait_s(self, duration_s: float) -> float:
        return duration_s

    def forward(self, **span: float) -> datetime:
        self.at += timedelta(**span)
        return self.at


@dataclass
class Tape:
    """A channel that keeps what it was given, or does what it is told instead."""

    sent: list[Message] = field(default_factory=list)
    instead: Callable[[Message], None] | None = None

    def send(self, message: Message) -> None:
        if self.instead is not None:
            self.instead(message)
        self.sent.append(message)


def refuse(_: Message) -> None:
    """A channel that is out of order."""
    raise ChannelError("out of order")


class LongestPause(random.Random):
    """No randomness in the backoff: always the ceiling."""

    def uniform(self, a: float, b: float) -> float:
        return b


def empty(db: Database) -> None:
    """Take every row out of a store, so that many tests can share one."""
    with db.write() as conn:
        for table in reversed(metadata.sorted_tables):
            conn.execute(table.delete())
