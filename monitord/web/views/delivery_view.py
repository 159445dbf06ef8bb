"""Who was told of an alert, who was not and why, what comes next, and which messages did not arrive."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from monitord.alerts.routing.planning import DeliveryDecision, plan
from monitord.alerts.sending.outbox import situation_of
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.messages import TELLS_OPEN, NotificationReason, OutboxEntry, OutboxState, SentItem
from monitord.store import outbox as stored_outbox
from monitord.text.labels import NEWS

WENT = {
    OutboxState.WAITING: "on its way",
    OutboxState.SENT: "sent",
    OutboxState.UNDELIVERABLE: "could not be delivered",
    OutboxState.SUPERSEDED: "taken back",
}


@dataclass(frozen=True)
class PersonRow:
    """What was decided for one person about one alert."""

    person: str
    reason: str
    """Why they were told, or were not."""
    next: str
    """What comes next, if nothing changes; empty: nothing is planned."""
    next_at: datetime | None
    is_hushed: bool
    """Whether a mute or a maintenance window keeps it from them."""


@dataclass(frozen=True)
class MessageRow:
    """One message, or its part about one alert."""

    at: datetime
    person: str
    channel: str
    what: str
    went: str
    tries: int
    answer: str = ""


class Deliveries:
    """What the program would say to whom now, asked once for a page; nothing is told by asking."""

    def __init__(self, conn: Connection, settings: AlertSettings, now: datetime) -> None:
        self._settings = settings
        self._now = now
        self._situation = situation_of(conn, settings, now)
        self._decisions: dict[tuple[str, int], list[DeliveryDecision]] = {}
        for decision in plan(self._situation, now).decisions:
            self._decisions.setdefault((decision.fingerprint, decision.episode), []).append(decision)
        self._told: dict[tuple[str, int], list[SentItem]] = {}
        for row in self._situation.told:
            if row.item.news in TELLS_OPEN:
                self._told.setdefault((row.item.subject, row.item.episode), []).append(row)

    def people(self, fingerprint: str, episode: int) -> list[PersonRow]:
        """For each person whom an alert concerns what was decided and why, in the order of the settings."""
        reached = self._reached(fingerprint, episode)
        return [self._row(decision, reached) for decision in self._decisions.get((fingerprint, episode), ())]

    def in_short(self, fingerprint: str, episode: int) -> tuple[str, datetime | None]:
        """Who was told that an alert is open, who could not be, and why nobody is; and when it is said again."""
        rows = self.people(fingerprint, episode)
        times = [row.next_at for row in rows if row.next_at is not None]
        reached = self._reached(fingerprint, episode)
        told = [self._name(person) for person, state in reached.items() if state is OutboxState.SENT]
        under_way = [self._name(person) for person, state in reached.items() if state is OutboxState.WAITING]
        missed = [self._name(person) for person, state in reached.items() if state is OutboxState.UNDELIVERABLE]
        said = [f"Sent to {listed(told)}."] if told else []
        said += [f"On its way to {listed(under_way)}."] if under_way else []
        said += [f"Could not be delivered to {listed(missed)}."] if missed else []
        if rows and not reached:
            said = [f"Not sent to anyone ({rows[0].reason})."]
        elif hush := next((row.reason for row in rows if row.is_hushed), ""):
            said.append(f"No further messages for now ({hush}).")
        return " ".join(said), min(times, default=None)

    def _reached(self, fingerprint: str, episode: int) -> dict[str, OutboxState]:
        """Person to how far the word that it is open has come, by the way on which it came furthest."""
        rank = (OutboxState.UNDELIVERABLE, OutboxState.WAITING, OutboxState.SENT)
        found: dict[str, OutboxState] = {}
        for row in self._told.get((fingerprint, episode), ()):
            if row.state in rank:
                found[row.person] = max(found.get(row.person, row.state), row.state, key=rank.index)
        return found

    def _name(self, person_id: str) -> str:
        return _name(self._settings, person_id)

    def _row(self, decision: DeliveryDecision, reached: Mapping[str, OutboxState]) -> PersonRow:
        verdict = decision.verdict
        reason = verdict.reason
        if reached.get(decision.person) is OutboxState.UNDELIVERABLE:
            reason = "the message could not be delivered"
        what, at = "", None
        if decision.held_until is not None:
            what, at = "sent with the other alerts of this job", decision.held_until
        elif verdict.news is not None and not verdict.soon:
            what, at = f"sent now ({_news(verdict.news)})", self._now
        elif verdict.due_at is not None:
            what, at = ("reminded" if verdict.reason.startswith("sent") else "decided again"), verdict.due_at
        hushed = verdict.reason.startswith(("muted", "maintenance"))
        return PersonRow(self._name(decision.person), reason, what, at, hushed)


def messages_about(conn: Connection, settings: AlertSettings, fingerprint: str, episode: int) -> list[MessageRow]:
    """What was written to whom about one episode, the latest first."""
    told = stored_outbox.told_about(conn, [fingerprint])
    return [_told_row(row, settings) for row in reversed(told) if row.item.episode == episode]


def undelivered(conn: Connection, settings: AlertSettings, maximum: int) -> list[MessageRow]:
    """The messages that are tried again, the oldest first, then those that were given up, the latest first."""
    late = [entry for entry in stored_outbox.waiting(conn) if entry.last_error]
    return [_entry_row(entry, settings) for entry in [*late, *stored_outbox.undeliverable(conn)][:maximum]]


def _told_row(row: SentItem, settings: AlertSettings) -> MessageRow:
    return MessageRow(
        at=row.created_at,
        person=_name(settings, row.person),
        channel=row.channel,
        what=_news(row.item.news),
        went=WENT[row.state],
        tries=row.attempts,
    )


def _entry_row(entry: OutboxEntry, settings: AlertSettings) -> MessageRow:
    message = entry.message
    trying = entry.state is OutboxState.WAITING
    return MessageRow(
        at=message.created_at,
        person=_name(settings, message.person),
        channel=message.channel,
        what=message.title,
        went="is tried again" if trying else "given up",
        tries=entry.attempts,
        answer=entry.last_error or "",
    )


def _name(settings: AlertSettings, person_id: str) -> str:
    person = settings.person(person_id)
    return (person.name or person.id) if person is not None else person_id


def _news(news: str) -> str:
    return NEWS[NotificationReason(news)]


def listed(names: Iterable[str]) -> str:
    """`Anna, Bo and Cy`."""
    every: Sequence[str] = list(names)
    return " and ".join([", ".join(every[:-1]), every[-1]] if len(every) > 1 else every)
