"""Trying out how a person is reached: a test message by each of their ways."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from datetime import datetime, timedelta

from sqlalchemy import Connection

from monitord.alerts.messages.templating import templates_of
from monitord.alerts.sending.channels.base import Channel, ChannelError
from monitord.clock import Clock
from monitord.errors import ConfigurationError
from monitord.model.alerts import SYSTEM, Severity
from monitord.model.config.alert_settings import AlertSettings, Person
from monitord.model.messages import Message, MessageItem, NotificationReason
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database
from monitord.text import gsm
from monitord.text.catalogue import reader_language


def messages_to(settings: AlertSettings, person_id: str, at: datetime, channel: str = "") -> list[Message]:
    """A test message to one person by each of their ways, or by those of one channel.

    Raises
    ------
    ConfigurationError : there is no such person, or they have no such way.
    """
    person = settings.person(person_id)
    if person is None:
        raise ConfigurationError(
            f"there is no person {person_id!r}",
            where="alerts.people",
            remedy=f"Use one of {', '.join(p.id for p in settings.people) or '(none yet)'}",
        )
    ways = [way for way in person.ways if channel in ("", way.channel)]
    if not ways:
        raise ConfigurationError(
            f"{person_id} is not reached by {channel!r}",
            where="alerts.people",
            remedy=f"Use one of {', '.join(way.channel for way in person.ways)}",
        )
    return [_message(settings, person, way.channel, way.address, at) for way in ways]


def enqueue_test(
    conn: Connection, settings: AlertSettings, person_id: str, at: datetime, channel: str = ""
) -> list[Message]:
    """Put a test message to one person into the outbox: it takes the same path as an alert, through the daemon.

    Raises
    ------
    ConfigurationError : there is no such person, or they have no such way.
    """
    messages = messages_to(settings, person_id, at, channel)
    for message in messages:
        stored_outbox.enqueue(conn, message)
    return messages


def send_test(
    db: Database, settings: AlertSettings, channels: Mapping[str, Channel], person_id: str, clock: Clock
) -> list[tuple[str, str]]:
    """Send a test message to one person here and now, with no daemon; the log of messages keeps how it went.

    Returns
    -------
    For each of their ways the channel and what went wrong; empty: the channel took it.

    Raises
    ------
    ConfigurationError : there is no such person.
    """
    found = []
    for message in messages_to(settings, person_id, clock.now()):
        wrong = ""
        try:
            channels[message.channel].send(message)
        except ChannelError as error:
            wrong = error.message
        with db.write() as conn:
            stored_outbox.log_directly(conn, message, clock.now(), wrong)
        found.append((message.channel, wrong))
    return found


def _message(settings: AlertSettings, person: Person, channel: str, address: str, at: datetime) -> Message:
    words = templates_of(reader_language(person.language, person.units), settings.templates_dir)
    name = person.name or person.id
    text = words.render("test.txt.j2", person=name, channel=channel)
    item = MessageItem(
        subject="test", episode=int(at.timestamp()), news=NotificationReason.TEST, job=SYSTEM, severity=Severity.NOTE
    )
    return Message(
        id=f"test-{secrets.token_hex(8)}",
        person=person.id,
        channel=channel,
        address=address,
        group=SYSTEM,
        severity=Severity.NOTE,
        created_at=at,
        deadline=at + timedelta(minutes=15),
        title=" ".join(words.render("test_title.txt.j2").split()),
        short=gsm.fit(text),
        text=text,
        html=words.render("test.html.j2", text=text, language=person.language),
        items=(item,),
    )
