"""The daemon's sessions on its brokers: made before it runs for the first time, given up when it is not to run again.

A broker keeps messages for a client that has subscribed once. What gateways send before that is acknowledged to them
and kept for nobody.
"""

from __future__ import annotations

import threading
import time
from typing import NamedTuple

from monitord.clock import SystemClock
from monitord.errors import BrokerError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.connection import Connection
from monitord.ingest.mqtt.shared_group import as_member, check_group
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.model.config.settings import Settings
from monitord.store.db.database import Database

_PATIENCE_S = 10.0
_LOOK_S = 0.02
_QUIET_S = 2.0
"""Without a message for so long, a session holds no more that the broker could send. Our choice; what was left all the
same is noticed at the goodbye. [s]"""


class SessionMade(NamedTuple):
    """A session that the broker keeps."""

    where: str
    client_id: str
    was_there: bool
    """The broker had it already."""
    filters: tuple[str, ...]


def make_sessions(settings: Settings, member: str | None = None) -> list[SessionMade]:
    """On each broker subscribe under the daemon's own id and leave; nothing that waits there is acknowledged.

    Parameters
    ----------
    member : name of one of several processes with the role `ingest`.

    Raises
    ------
    BrokerError : it can't be reached, or refused us or a subscription.
    """
    rules = TopicRules(settings.topics)
    brokers = settings.all_brokers.values()
    if member is not None:
        check_group(member, brokers, settings.topics)
    return [_make(*as_member(broker, rules.filters(broker.also_read), member)) for broker in brokers]


def leave_sessions(settings: Settings, db: Database, member: str | None = None) -> int:
    """Take in what waits for a process that is not to run again, and have its brokers forget it; how many messages.

    Raises
    ------
    BrokerError : one can't be reached, or something is left; its session then stays.
    ConfigurationError : a broker is spoken to in MQTT 3.1.1, which has no way to say so.
    """
    check_group(member or "1", settings.all_brokers.values(), ())
    rules, brokers = TopicRules(settings.topics), settings.all_brokers
    consumer = Consumer(brokers, db, SystemClock(), rules, settings.quarantine, member, leaving=True)
    consumer.start()
    try:
        _until_quiet(consumer)
    finally:
        whole = consumer.stop()
    if not (whole and consumer.forgotten):
        raise BrokerError(
            "something is left in a session, which therefore stays",
            where=", ".join(f"{broker.host}:{broker.port}" for broker in brokers.values()),
            remedy="Give the command again",
        )
    return consumer.status.received


def _until_quiet(consumer: Consumer) -> None:
    """Until it is connected everywhere, and nothing has come for a while that is not stored."""
    deadline, seen, since = time.monotonic() + _PATIENCE_S, -1, time.monotonic()
    while seen < 0 or time.monotonic() - since < _QUIET_S:
        status = consumer.status
        if not all(link.connected for link in status.links.values()):
            if time.monotonic() > deadline:
                found = [link.error for link in status.links.values() if link.error is not None]
                raise found[0] if found else BrokerError("no answer", remedy="Check `broker.host` and `broker.port`")
        elif seen != status.received or status.waiting:
            seen, since = status.received, time.monotonic()
        time.sleep(_LOOK_S)


def _make(broker: BrokerSettings, filters: tuple[str, ...]) -> SessionMade:
    link = Connection(broker, filters, SystemClock(), lambda _: None, lambda: True)
    thread = threading.Thread(target=link.run, name="broker-session", daemon=True)
    thread.start()
    deadline = time.monotonic() + _PATIENCE_S
    while not link.state.connected and link.state.error is None and time.monotonic() < deadline:
        time.sleep(_LOOK_S)
    state = link.state
    link.close()
    thread.join(_PATIENCE_S)
    if state.error is not None:
        raise state.error
    if not state.connected:
        raise BrokerError(
            f"no answer within {_PATIENCE_S:.0f} s", where=link.where, remedy="Check `broker.host` and `broker.port`"
        )
    return SessionMade(link.where, broker.client_id, bool(state.session_present), filters)
