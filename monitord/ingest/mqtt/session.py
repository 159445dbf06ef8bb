"""The daemon's sessions on its brokers, made before the daemon runs for the first time.

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
from monitord.model.config.broker import BrokerSettings
from monitord.model.config.settings import Settings

_PATIENCE_S = 10.0
_LOOK_S = 0.02


class SessionMade(NamedTuple):
    """A session that the broker keeps."""

    where: str
    client_id: str
    was_there: bool
    """The broker had it already."""
    filters: tuple[str, ...]


def make_sessions(settings: Settings) -> list[SessionMade]:
    """On each broker subscribe under the daemon's own id and leave; nothing that waits there is acknowledged.

    Raises
    ------
    BrokerError : it can't be reached, or refused us or a subscription.
    """
    rules = TopicRules(settings.topics)
    return [_make(broker, rules.filters(broker.also_read)) for broker in settings.all_brokers.values()]


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
