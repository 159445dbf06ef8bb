"""The MQTT client as the settings want it: version, session, sign-in, TLS."""

from __future__ import annotations

from typing import Any

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitord.errors import ConfigurationError
from monitord.model.config.broker import BrokerSettings


def new_client(settings: BrokerSettings, *, lasting: bool) -> Client:
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
    client = Client(
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
    return properties


def _leave_writing_to_the_loop(_client: Client, _userdata: Any, _sock: Any) -> None:
    """With this callback set, the client queues what it sends, and a loop writes it in one go."""
