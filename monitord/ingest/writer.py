"""A batch of messages to the store in one commit: readings, and quarantine for what can't be understood."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime
from threading import Lock
from typing import NamedTuple

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, IntegrityError, ProgrammingError

from monitord.errors import DecodeError, StoreError
from monitord.ingest.decoding.decode import Content, JobForecast, PartlyDecodedError, decode, quick_rows
from monitord.ingest.decoding.records import Half
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.pairing import MAX_WAITING, Memory
from monitord.ingest.payload_limit import Whole, cut, too_large
from monitord.model.config.broker import BrokerSettings, QuarantineSettings
from monitord.store import outdoor_forecasts, quarantine
from monitord.store.db.database import Database
from monitord.store.maintenance.quarantine_limits import ROW_BYTES, trim
from monitord.store.series.raw_reading import RawReading, raw
from monitord.store.series.readings import insert_raw

log = logging.getLogger(__name__)

MAX_PAYLOAD_BYTES: int = BrokerSettings.model_fields["max_payload_bytes"].default

RETAINED = "retained:"
"""Begins the reason code of a retained replay in quarantine, so that its release is not taken for a live message."""


ALONE = "no_other_half"
"""Reason code of a probe whose halves of readings find no other; the payload is its id, so that it is one entry."""
_ALONE = (
    "temperature or humidity of this probe came alone, without the other within join_within_s; not kept. "
    "Let its gateway send both more often than that, or in one message"
)


class IncomingMessage(NamedTuple):
    """A payload as it came in."""

    topic: str
    payload: bytes
    received_at: datetime
    """When it reached this program, UTC."""
    retained: bool = False
    """The broker had kept it, and replayed it when we subscribed."""
    whole: Whole | None = None
    """Of a payload that was too large: what came. `payload` is then its beginning."""
    delayed: bool = False
    """It came in the backlog after a connect, and may have waited."""


class Outcome(NamedTuple):
    """What became of a batch."""

    inserted: int = 0
    """Readings that are new."""
    repeats: int = 0
    """Readings that were stored already, with the same values."""
    conflicts: int = 0
    """Readings that contradict a stored one of the same probe and time; the first is kept, these are held."""
    held: int = 0
    """Messages of which something could not be understood, now in quarantine."""
    passed: int = 0
    """Messages that are no reading by the `when` of their rules, and were not kept."""
    unpaired: int = 0
    """Halves of readings that found no other half."""

    def plus(self, other: Outcome) -> Outcome:
        """Both together."""
        return Outcome(*(a + b for a, b in zip(self, other, strict=True)))


class _Held(NamedTuple):
    message: IncomingMessage
    error: DecodeError


class _Batch(NamedTuple):
    """What the messages of a batch hold."""

    rows: list[RawReading]
    forecasts: list[tuple[JobForecast, datetime]]
    """With their times of arrival."""
    held: list[_Held]
    """What could not be read."""
    memory: Memory
    """What the next batch is to know of this one, once it is committed."""
    passed: list[IncomingMessage]
    """No readings, by the `when` of their rules."""


class BatchWriter:
    """Decodes messages and commits what comes of them."""

    def __init__(
        self,
        db: Database,
        rules: TopicRules,
        max_payload_bytes: int = MAX_PAYLOAD_BYTES,
        limits: QuarantineSettings | None = None,
    ) -> None:
        self._limits = limits or QuarantineSettings()
        self._held_since_trim = 0
        self._db = db
        self._rules = rules
        self._max_payload_bytes = max_payload_bytes
        self._memory = Memory()
        self._one_at_a_time = Lock()
        """Batches over HTTP come in several threads, and each reads what the one before left."""
        self._named: set[str] = set()
        """Probes whose half readings were told in the log."""

    def commit(self, messages: Sequence[IncomingMessage]) -> Outcome:
        """Store a batch; when this returns, every message of it is stored or in quarantine, durably.

        One message that the database can't hold does not keep the others out: the batch is then committed message
        by message, and that one goes to quarantine (`store_refused`).

        Raises
        ------
        StoreError : the database is away, locked or full. Nothing was kept; the same batch may be tried again.
        """
        with self._one_at_a_time:
            try:
                return self._commit(messages)
            except Exception as error:
                if not message_is_to_blame(error):
                    raise
            return self._one_by_one(messages)

    def _commit(self, messages: Sequence[IncomingMessage]) -> Outcome:
        batch = self._decoded(messages)
        # beside another store nothing but our own turn keeps two from writing one reading in two ways
        with self._db.write(shared=not self._db.has_store_beside) as conn:
            result = insert_raw(conn, batch.rows)
            for (job, forecast), received_at in batch.forecasts:
                outdoor_forecasts.keep(conn, job, forecast, received_at)
            for message, error in batch.held:
                _hold(conn, message, error)
            for probe in batch.memory.unpaired:
                quarantine.put(conn, "", probe.encode(), messages[-1].received_at, ALONE, _ALONE)
        self._memory = batch.memory
        unpaired = batch.memory.unpaired
        self._tell(unpaired)
        conflicts, held = len(result.conflicts), len(batch.held)
        if batch.held:
            self._keep_bounded(batch.held)
        return Outcome(result.inserted, result.repeats, conflicts, held, len(batch.passed), len(unpaired))

    def _keep_bounded(self, held: Sequence[_Held]) -> None:
        """Look over quarantine each time an eighth of what one gateway may hold has come into it."""
        self._held_since_trim += sum(len(message.payload) + ROW_BYTES for message, _ in held)
        if self._held_since_trim < self._limits.max_bytes // 8:
            return
        self._held_since_trim = 0
        try:
            with self._db.write() as conn:
                trimmed = trim(conn, held[-1].message.received_at, self._limits.max_age, self._limits.max_bytes)
        except StoreError as error:  # the batch is stored; the next look finds what is too much
            log.warning("quarantine could not be looked over: %s", error.message)
            return
        if any(trimmed):
            log.warning("quarantine was over its bounds: %d payloads cut, %d removed", *trimmed)

    def _decoded(self, messages: Sequence[IncomingMessage]) -> _Batch:
        batch = _Batch([], [], [], self._memory.copy(), [])
        if messages:
            batch.memory.expire(messages[0].received_at)
        for message in messages:
            start = len(batch.rows)
            self._decode(message, batch)
            if message.retained:
                _replayed(batch.rows, start)
        return batch

    def _decode(self, message: IncomingMessage, batch: _Batch) -> None:
        """Add what one message holds to a batch."""
        if message.whole is None and len(message.payload) > self._max_payload_bytes:
            # the network thread has cut what was too large; this guards every other way in
            payload, whole = cut(message.payload, self._max_payload_bytes)
            message = message._replace(payload=payload, whole=whole)
        if message.whole is not None:
            batch.held.append(_Held(message, too_large(message.whole, self._max_payload_bytes)))
            return
        try:
            rows = quick_rows(message.topic, message.payload, message.received_at, self._rules)
            if rows:
                batch.rows.extend(rows)
                return
            content = decode(
                message.topic,
                message.payload,
                message.received_at,
                self._rules,
                retained=message.retained,
                delayed=message.delayed,
            )
            self._keep(message, content, batch)
        except PartlyDecodedError as error:
            batch.rows.extend(map(raw, error.readings))
            batch.held.append(_Held(message, error))
            _join(message, error.halves, batch)
        except DecodeError as error:
            batch.held.append(_Held(message, error))

    def _keep(self, message: IncomingMessage, content: Content, batch: _Batch) -> None:
        start = len(batch.rows)
        batch.rows.extend(map(raw, content.readings))
        if content.forecast is not None:
            batch.forecasts.append((content.forecast, message.received_at))
        if content.passed:
            batch.passed.append(message)
        _join(message, content.halves, batch)
        if content.repeats_are_cached and batch.memory.repeats(message.topic, message.payload) and not message.retained:
            _replayed(batch.rows, start)

    def _tell(self, probes: Sequence[str]) -> None:
        """Say once for each probe that a half of a reading was lost."""
        for probe in probes:
            if probe not in self._named and len(self._named) < MAX_WAITING:
                self._named.add(probe)
                log.warning(
                    "%s: temperature or humidity came alone, without the other within join_within_s; "
                    "not told again for this probe",
                    probe,
                )

    def _one_by_one(self, messages: Sequence[IncomingMessage]) -> Outcome:
        total = Outcome()
        for message in messages:
            try:
                outcome = self._commit([message])
            except Exception as error:
                if not message_is_to_blame(error):
                    raise
                outcome = self._refuse(message, error)
            total = total.plus(outcome)
        return total

    def _refuse(self, message: IncomingMessage, error: Exception) -> Outcome:
        refusal = DecodeError(
            "store_refused",
            "the database can't hold what this message says",
            where=message.topic,
            why=f"{type(error).__name__}: {str(error)[:200]}",
            remedy="Report it; it can be released by a later version",
        )
        log.error("%s", refusal.message)
        with self._db.write() as conn:
            _hold(conn, message, refusal)
        return Outcome(held=1)


def _join(message: IncomingMessage, halves: Sequence[Half], batch: _Batch) -> None:
    """Halves of live messages to readings; what may have waited joins nothing."""
    for half in halves:
        if message.retained or message.delayed:
            batch.memory.unpaired.append(half.values["probe"])
            continue
        reading = batch.memory.join(half, message.received_at)
        if reading is not None:
            batch.rows.append(raw(reading))


def _replayed(rows: list[RawReading], start: int) -> None:
    """Those from a place on don't count as seen."""
    rows[start:] = [row.replayed() for row in rows[start:]]


def _hold(conn: Connection, message: IncomingMessage, error: DecodeError) -> None:
    code = RETAINED + error.code if message.retained else error.code
    sha256 = None if message.whole is None else message.whole.sha256
    quarantine.put(conn, message.topic, message.payload, message.received_at, code, error.message, sha256)


def message_is_to_blame(error: Exception) -> bool:
    """Whether the data, rather than the state of the database, is why a commit failed."""
    if isinstance(error, StoreError):
        return isinstance(error.__cause__, DataError | IntegrityError | ProgrammingError)
    return not isinstance(error, OSError)
