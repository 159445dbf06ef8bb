"""The link to a broker: what it hands over, how it stands, and how long to wait before it is tried again."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from monitord.errors import BrokerError
from monitord.ingest.writer import IncomingMessage
from monitord.model.config.broker import BrokerSettings

MAIN = "broker"
"""Name of the broker that `[broker]` of the settings tells of."""


class Token(NamedTuple):
    """What an acknowledgement needs: a message id holds only within its connection to its broker."""

    broker: str
    """Its name in the settings."""
    connection: int
    mid: int


class Arrival(NamedTuple):
    """A message, and how to acknowledge it; none for one sent with QoS 0."""

    message: IncomingMessage
    token: Token | None


class LinkState(NamedTuple):
    """How the connection stands."""

    connected: bool = False
    """Connected, and subscribed to everything."""
    since: datetime | None = None
    """When it became so; UTC."""
    session_present: bool | None = None
    """Whether the broker had kept our session at the last connect; None: never connected."""
    error: BrokerError | None = None
    """Why it is not connected, or what the broker does not grant."""


def pause_s(failures: int, settings: BrokerSettings, chance: float) -> float:
    """How long to wait before connecting again: full jitter under a limit that doubles. [s]

    Parameters
    ----------
    failures : connections in a row that failed or did not last, from 1.
    settings : for the first and last limit.
    chance : a random number, 0..1; the jitter keeps many clients of a broker that comes back apart.
    """
    limit = min(settings.reconnect_max_s, settings.reconnect_min_s * 2.0 ** min(failures - 1, 30))
    return chance * limit
