"""The MQTT client as the settings want it: version, session, sign-in, TLS."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitord.errors import ConfigurationError
from monitord.ingest.mqtt.read_ahead import Published, ReadAhead
from monitord.model.config.broker import BrokerSettings

PUBACK = 0x40
"""First byte of an acknowledgement; then come the length of what follows, 2, and a message's packet identifier (MQTT
3.1.1, 3.4; MQTT 5.0, 3.4.2.1: what ends there says success)."""
_PUBACK = struct.Struct("!BBH")
PACKET_PER_PAYLOAD = 8
"""Largest packet that an MQTT 5 broker may send us, as a multiple of the largest payload that we read. In between, a
message reaches quarantine and people hear of it; above, the broker drops it without a word (MQTT 5.0, 3.1.2.11.4),
which keeps memory bounded."""
MAX_PACKET_BYTES = 268_435_460
"""MQTT itself has no larger packet: a remaining length of four digits and its header (MQTT 5.0, 1.5.5)."""


class ReadingAheadClient(Client):
    """The client on a socket that is read ahead: its `socket()` is a `ReadAhead`.

    It uses two parts of the library that are not public, for which a test looks: `_create_socket`, `_packet_queue`.
    """

    def _create_socket(self) -> Any:
        sock: Any = super()._create_socket()  # plain or with TLS, as we ask for neither of its other kinds
        return ReadAhead(sock, five=self.protocol == MQTTv5)

    def waiting(self) -> bool:
        """Whether `loop_read` finds something that no selector sees."""
        sock: object = self.socket()
        return isinstance(sock, ReadAhead) and sock.pending() > 0

    def messages(self, count: int) -> list[Published]:
        """At most so many messages that stand next and were read ahead; they don't come to `on_message`."""
        sock: object = self.socket()
        return sock.messages(count) if isinstance(sock, ReadAhead) else []

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Acknowledge messages of QoS 1 in one write. The library's `ack` costs a write each."""
        if mids:
            packets = b"".join(_PUBACK.pack(PUBACK, 2, mid) for mid in mids)
            self._packet_queue(PUBACK, packets, mids[-1], 1)


def new_client(settings: BrokerSettings, *, lasting: bool) -> ReadingAheadClient:
    """A client that is ready for its first `reconnect()`, acknowledges nothing by itself, and leaves writing to a loop.

    Parameters
    ----------
    settings : the broker.
    lasting : False leaves no session behind on the broker.

    Raises
    ------
    ConfigurationError : the TLS files can't be used.
    """
    five = settings.protocol == "5"
    client = ReadingAheadClient(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        protocol=MQTTv5 if five else MQTTv311,
        clean_session=None if five else not lasting,
        manual_ack=True,
        reconnect_on_failure=False,
    )
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password.get_secret_value() if settings.password else None)
    if settings.tls:
        _set_tls(client, settings)
    client.on_socket_register_write = _leave_writing_to_the_loop
    address = (settings.host, settings.port, settings.keepalive_s)
    if five:
        client.connect_async(*address, clean_start=False, properties=_properties(settings, lasting))
    else:
        client.connect_async(*address)
    return client


def _set_tls(client: Client, settings: BrokerSettings) -> None:
    try:
        client.tls_set(settings.tls_ca_file, settings.tls_cert_file, settings.tls_key_file)
    except (OSError, ValueError) as error:
        raise ConfigurationError(
            "the TLS files can't be used",
            where="broker.tls_ca_file, tls_cert_file, tls_key_file",
            why=str(error),
            remedy="Check that the files exist, may be read, and are certificates and a key in PEM form",
        ) from None


def _properties(settings: BrokerSettings, lasting: bool) -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = settings.session_expiry_s if lasting else 0
    properties.ReceiveMaximum = settings.receive_maximum
    properties.MaximumPacketSize = min(PACKET_PER_PAYLOAD * settings.max_payload_bytes, MAX_PACKET_BYTES)
    return properties


def forget_session() -> Properties:
    """What a goodbye says for the broker to forget the session at once (MQTT 5.0, 3.14.2.2.2)."""
    properties = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 0
    return properties


def _leave_writing_to_the_loop(_client: Client, _userdata: Any, _sock: Any) -> None:
    """With this callback set, the client queues what it sends, and a loop writes it in one go."""
