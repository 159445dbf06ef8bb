"""Settings of the way in: the broker that readings come from, and the rules that say what a topic carries."""

from __future__ import annotations

from datetime import timedelta
from enum import StrEnum
from typing import Annotated, Literal, Self
from zoneinfo import available_timezones

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

NEVER_EXPIRES_S = 0xFFFFFFFF
"""The session expiry interval that MQTT 5.0 (3.1.2.11.2) reads as "does not expire"."""


SHARED_BY_BROKERS = frozenset({"max_payload_bytes", "batch_size", "batch_wait_s"})
"""Settings of `[broker]` that hold for every broker: what comes from all of them is committed together."""
BROKER_NAME = r"^[a-z][a-z0-9-]{0,31}$"
"""Small letters, so that a variable of the environment can name it."""


class BrokerSettings(BaseModel):
    """The MQTT broker and how readings are taken from it."""

    model_config = _STRICT

    host: str = "127.0.0.1"
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65_535)] = 1883
    """TCP port of the broker; 8883 is usual with TLS."""
    protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version. 3.1.1 for brokers that know no MQTT 5, such as the embedded one."""
    client_id: Annotated[str, Field(min_length=1, max_length=128)] = "monitord"
    """Names the session on the broker. Fixed, so that messages sent while we are away wait for us; two daemons on
    one broker need two ids."""
    username: str | None = None
    """User name on the broker; none: sign in without one."""
    password: SecretStr | None = None
    """Password on the broker; better given by the environment than in a file."""
    tls: bool = False
    """Speak TLS to the broker and check its certificate."""
    tls_ca_file: str | None = None
    """Certificates that sign the broker's; none: those that the machine trusts."""
    tls_cert_file: str | None = None
    """Our own certificate, where the broker asks for one."""
    tls_key_file: str | None = None
    """The key of our own certificate."""
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 60
    """A connection that is silent for one and a half times this long is taken as lost. [s]"""
    session_expiry_s: Annotated[int, Field(ge=60, le=NEVER_EXPIRES_S)] = 30 * 86_400
    """How long an MQTT 5 broker keeps messages for us while we are away; 4294967295 is for ever. [s] Under 3.1.1
    the broker's own configuration decides."""
    receive_maximum: Annotated[int, Field(ge=2, le=65_535)] = 2000
    """How many messages an MQTT 5 broker may send ahead of our acknowledgement; at least twice `batch_size`, so that
    it sends the next batch while one is committed. Under 3.1.1 set the broker's own limit so."""
    also_read: tuple[str, ...] = ("monitord/#",)
    """Topic filters taken in beside those of the topic rules, so that what no rule covers is held in quarantine
    instead of passing unseen."""
    max_payload_bytes: Annotated[int, Field(ge=1024, le=64 * 2**20)] = 2**20
    """A longer payload is not read: its beginning, length and SHA-256 are held in quarantine. [bytes] An MQTT 5 broker
    is asked not to send packets of more than eight times this at all."""
    batch_size: Annotated[int, Field(ge=1, le=10_000)] = 500
    """Messages committed together at most."""
    batch_wait_s: Annotated[float, Field(gt=0, le=10)] = 0.2
    """How long a message waits at most for others to be committed with it. [s]"""
    reconnect_min_s: Annotated[float, Field(gt=0, le=60)] = 0.5
    """First limit of the random pause before connecting again; it doubles with each failure. [s]"""
    reconnect_max_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    """Last limit of that pause. [s]"""

    @model_validator(mode="after")
    def _window_and_keys(self) -> Self:
        if self.receive_maximum < 2 * self.batch_size:
            raise ValueError(
                f"receive_maximum {self.receive_maximum} is less than twice batch_size {self.batch_size}, so the "
                f"broker would wait for each commit; write at least {2 * self.batch_size}, or a smaller batch_size"
            )
        if (self.tls_cert_file is None) != (self.tls_key_file is None):
            raise ValueError("tls_cert_file and tls_key_file belong together; give both or neither")
        if not self.tls and (self.tls_ca_file or self.tls_cert_file):
            raise ValueError("tls_ca_file or tls_cert_file is given but tls is off; write tls = true")
        if self.reconnect_max_s < self.reconnect_min_s:
            raise ValueError("reconnect_max_s is less than reconnect_min_s; correct one of them")
        return self


class QuarantineSettings(BaseModel):
    """How much of what could not be understood is kept."""

    model_config = _STRICT

    max_age_days: Annotated[float, Field(ge=1, le=3650)] = 90.0
    """What last came, or was released, longer ago than this is removed. [days]"""
    max_mb_per_gateway: Annotated[float, Field(ge=1, le=10_000)] = 20.0
    """What one gateway (the first two levels of a topic) may hold. [MB] Over it, its oldest payloads are cut to their
    beginning, with length and SHA-256 kept, and then removed."""

    @property
    def max_bytes(self) -> int:
        """What one gateway may hold. [bytes]"""
        return int(self.max_mb_per_gateway * 1_000_000)

    @property
    def max_age(self) -> timedelta:
        """How long an entry is kept."""
        return timedelta(days=self.max_age_days)


class PayloadFormat(StrEnum):
    """What the payloads of a topic are."""

    READING_JSON = "reading-json"
    """Our own JSON: one reading or a list of them."""
    SENML_JSON = "senml-json"
    """A SenML pack in JSON (RFC 8428)."""
    SENML_CBOR = "senml-cbor"
    """A SenML pack in CBOR (RFC 8428)."""
    MAPPED_JSON = "mapped-json"
    """Any other JSON, or what `mapping.encoding` says, read by the rule's `mapping`."""
    OUTDOOR_FORECAST = "outdoor-forecast"
    """A forecast of the outdoor air for the job that the topic names; see monitord/ingest/FORMATS.md."""
    METAR = "metar"
    """Weather reports of aerodromes (METAR), one a line, as readings of an outdoor probe."""
    STATUS = "status"
    """A gateway's or probe's own status or last will: taken, and not stored."""


class FieldMapping(BaseModel):
    """Where one quantity stands in a gateway's JSON, and in which unit."""

    model_config = _STRICT

    path: str
    """JMESPath expression, evaluated on one record."""
    unit: str | None = None
    """The unit the gateway uses, by the names in monitord/ingest/FORMATS.md; none: the unit of the quantity."""
    scale: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1.0
    """Multiplies the number before its unit is converted: 0.01 for hundredths of a degree."""


class TimeFormat(StrEnum):
    """How a gateway writes times."""

    RFC3339 = "rfc3339"
    """Text such as 2025-03-01T10:00:00Z; a space may stand for the T, and +0200 for +02:00. Without an offset only
    where the mapping has a `time_zone`."""
    UNIX_S = "unix-s"
    """A number of seconds since 1970-01-01T00:00:00Z."""
    UNIX_MS = "unix-ms"
    """A number of milliseconds since then."""
    UNIX_US = "unix-us"
    """A number of microseconds since then."""
    UNIX_NS = "unix-ns"
    """A number of nanoseconds since then."""
    ARRIVAL = "arrival"
    """The gateway sends no time: the time of arrival stands for it. A message that the broker delivers twice then
    makes two readings, and a message that waited anywhere is refused, since nobody knows its age. Last in a list of
    formats it stands in where a message has no time."""


class Encoding(StrEnum):
    """What the bytes of a mapped payload are. What begins as gzip is unpacked first, but for `hex`."""

    JSON = "json"
    """JSON."""
    CBOR = "cbor"
    """CBOR (RFC 8949), whose bytes become hexadecimal text."""
    TEXT = "text"
    """Plain text; the whole payload is one text."""
    HEX = "hex"
    """Bytes that become one hexadecimal text, for `decode(...)`."""
    SPARKPLUG_B = "sparkplug-b"
    """Sparkplug B: {timestamp, metrics: [{name, timestamp, value}], values: {name: value}}."""


class PayloadMapping(BaseModel):
    """How to read a gateway's own JSON. All paths are JMESPath expressions."""

    model_config = _STRICT

    encoding: Encoding = Encoding.JSON
    """What the payload's bytes are."""
    records: str = "@"
    """From the whole payload to one record or a list of them."""
    probe: str | None = None
    """From a record to the probe's id; none: the topic's `{probe}`."""
    gateway: str | None = None
    """From a record to the gateway's id; none: the topic's `{gateway}`, if any."""
    time: str | None = None
    """From a record to its time; none only with `time_format = "arrival"`."""
    time_format: TimeFormat | Annotated[tuple[TimeFormat, ...], Field(min_length=1)] = TimeFormat.RFC3339
    """How the time is written; or several ways, of which the first that fits a message holds."""
    time_zone: str | None = None
    """IANA name, such as Europe/London, of the zone of texts without an offset."""
    replace_in_ids: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]$")] | None = None
    """Stands for each space and each of `/ + # $` in an id, such as `_`; none: such an id is refused. Two names that
    differ in these signs alone become one probe."""
    join_within_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    """Temperature and humidity come in two messages, no further apart than this; they become one reading with the time
    of the later. [s]"""
    repeats_are_cached: bool = False
    """The bridge repeats what it last knew, at its start or on request: a message that says what the last one of its
    topic said is stored, but does not count as seen."""
    temperature_c: FieldMapping | None = None
    """Air temperature; none only with `join_within_s`."""
    relative_humidity_pct: FieldMapping | None = None
    """Relative humidity; none only with `join_within_s`."""
    surface_temperature_c: FieldMapping | None = None
    """Temperature of a surface that the probe touches."""
    battery_v: FieldMapping | None = None
    """Battery voltage."""
    battery_pct: FieldMapping | None = None
    """What is left of the battery, where the gateway gives no voltage."""
    pressure_hpa: FieldMapping | None = None
    """Barometric pressure."""
    rssi_dbm: FieldMapping | None = None
    """Radio signal strength."""

    @model_validator(mode="after")
    def _time_given(self) -> Self:
        if (self.time is None) != (self.time_formats == (TimeFormat.ARRIVAL,)):
            raise ValueError('give `time` for every time_format but "arrival", and for that one leave it out')
        if TimeFormat.ARRIVAL in self.time_formats[:-1]:
            raise ValueError('"arrival" stands last in time_format: it fits every message without a time')
        if self.time_zone is not None and self.time_zone not in available_timezones():
            raise ValueError(f"{self.time_zone!r} is no time zone; write one such as Europe/London")
        return self

    @model_validator(mode="after")
    def _quantities_given(self) -> Self:
        given = [field for field in (self.temperature_c, self.relative_humidity_pct) if field is not None]
        if len(given) < (2 if self.join_within_s is None else 1):
            raise ValueError(
                "a reading needs temperature_c and relative_humidity_pct; where they come in two messages, give "
                "join_within_s, and each rule one of them or both"
            )
        return self

    @property
    def time_formats(self) -> tuple[TimeFormat, ...]:
        """The formats to try, in order."""
        return (self.time_format,) if isinstance(self.time_format, TimeFormat) else self.time_format


class TopicRule(BaseModel):
    """What the payloads of the topics that match a pattern are. The first rule that matches a topic holds."""

    model_config = _STRICT

    pattern: Annotated[str, Field(min_length=1, max_length=512)]
    """An MQTT topic filter, in which `{gateway}`, `{probe}` and `{job}` stand for one level each, or for a part of one,
    and name it. A mapped rule may name further levels, such as `{site}`, for `topic('site')` in its expressions."""
    format: PayloadFormat
    """How the payload is read."""
    mapping: PayloadMapping | None = None
    """Only, and always, with `format = "mapped-json"`."""
    when: str | None = None
    """JMESPath expression on the whole payload, only with a mapping: where it finds false, null or nothing the message
    is no reading for this rule. Is it one for no rule, it is acknowledged and counted, and not kept."""

    @model_validator(mode="after")
    def _mapping_where_due(self) -> Self:
        if (self.mapping is not None) != (self.format is PayloadFormat.MAPPED_JSON):
            raise ValueError(f'rule {self.pattern!r}: a mapping belongs to format "mapped-json", and only to it')
        if self.when is not None and self.mapping is None:
            raise ValueError(f'rule {self.pattern!r}: `when` belongs to format "mapped-json", and only to it')
        return self


DEFAULT_TOPIC_RULES: tuple[TopicRule, ...] = (
    TopicRule(pattern="monitord/{gateway}/{probe}/reading", format=PayloadFormat.READING_JSON),
    TopicRule(pattern="monitord/{gateway}/{probe}/senml", format=PayloadFormat.SENML_JSON),
    TopicRule(pattern="monitord/{gateway}/{probe}/senml-cbor", format=PayloadFormat.SENML_CBOR),
    TopicRule(pattern="monitord/{gateway}/{probe}/metar", format=PayloadFormat.METAR),
    TopicRule(pattern="monitord/{gateway}/{probe}/status", format=PayloadFormat.STATUS),
    TopicRule(pattern="monitord/{gateway}/status", format=PayloadFormat.STATUS),
    TopicRule(pattern="monitord/{job}/outdoor-forecast", format=PayloadFormat.OUTDOOR_FORECAST),
)
"""Our own topics. They always hold; rules of the settings are tried before them."""
