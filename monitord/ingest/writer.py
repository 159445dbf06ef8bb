"""A batch of messages to the store in one commit: readings, and quarantine for what can't be understood."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, IntegrityError, ProgrammingError

from monitord.errors import DecodeError, StoreError
from monitord.ingest.decoding import outdoor_forecast
from monitord.ingest.decoding.decode import PartlyDecodedError, decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.model.config.broker import PayloadFormat
from monitord.model.outdoor_forecast import OutdoorForecastDocument
from monitord.model.readings import Reading
from monitord.store import outdoor_forecasts, quarantine
from monitord.store.db.database import Database
from monitord.store.readings import insert_batch

log = logging.getLogger(__name__)

RETAINED = "retained:"
"""Begins the reason code of a retained replay in quarantine, so that its release is not taken for a live message."""


class IncomingMessage(NamedTuple):
    """A payload as it came in."""

    topic: str
    payload: bytes
    received_at: datetime
    """When it reached this program, UTC."""
    retained: bool = False
    """The broker had kept it, and replayed it when we subscribed."""


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

    def plus(self, other: Outcome) -> Outcome:
        """Both together."""
        return Outcome(*(a + b for a, b in zip(self, other, strict=True)))


class _Held(NamedTuple):
    message: IncomingMessage
    error: DecodeError


class BatchWriter:
    """Decodes messages and commits what comes of them."""

    def __init__(self, db: Database, rules: TopicRules) -> None:
        self._db = db
        self._rules = rules

    def commit(self, messages: Sequence[IncomingMessage]) -> Outcome:
        """Store a batch; when this returns, every message of it is stored or in quarantine, durably.

        One message that the database can't hold does not keep the others out: the batch is then committed message
        by message, and that one goes to quarantine (`store_refused`).

        Raises
        ------
        StoreError : the database is away, locked or full. Nothing was kept; the same batch may be tried again.
        """
        try:
            return self._commit(messages)
        except Exception as error:
            if not message_is_to_blame(error):
                raise
        return self._one_by_one(messages)

    def _commit(self, messages: Sequence[IncomingMessage]) -> Outcome:
        readings, retained, held = self._decoded(messages)
        forecasts = self._forecasts(messages)
        with self._db.write() as conn:
            result = insert_batch(conn, readings, retained)
            for job, forecast, received_at in forecasts:
                outdoor_forecasts.keep(conn, job, forecast, received_at)
            for message, error in held:
                _hold(conn, message, error)
        return Outcome(result.inserted, result.repeats, len(result.conflicts), len(held))

    def _decoded(self, messages: Sequence[IncomingMessage]) -> tuple[list[Reading], frozenset[int], list[_Held]]:
        """Readings of all messages, which of them (by index) are retained replays, and what could not be read."""
        readings: list[Reading] = []
        retained: list[int] = []
        held: list[_Held] = []
        for message in messages:
            start = len(readings)
            try:
                readings += decode(
                    message.topic, message.payload, message.received_at, self._rules, retained=message.retained
                )
            except PartlyDecodedError as error:
                readings += error.readings
                held.append(_Held(message, error))
            except DecodeError as error:
                held.append(_Held(message, error))
            if message.retained:
                retained += range(start, len(readings))
        return readings, frozenset(retained), held

    def _forecasts(self, messages: Sequence[IncomingMessage]) -> list[tuple[str, OutdoorForecastDocument, datetime]]:
        """Forecasts of the outdoor air, by job; those that can't be read are held as any other message."""
        found = []
        for message in messages:
            with suppress(DecodeError):
                route = self._rules.route(message.topic)
                if route.rule.format is PayloadFormat.OUTDOOR_FORECAST and route.job and message.payload:
                    forecast = outdoor_forecast.decode(message.payload, message.received_at)
                    found.append((route.job, forecast, message.received_at))
        return found

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


def _hold(conn: Connection, message: IncomingMessage, error: DecodeError) -> None:
    code = RETAINED + error.code if message.retained else error.code
    quarantine.put(conn, message.topic, message.payload, message.received_at, code, error.message)


def message_is_to_blame(error: Exception) -> bool:
    """Whether the data, rather than the state of the database, is why a commit failed."""
    if isinstance(error, StoreError):
        return isinstance(error.__cause__, DataError | IntegrityError | ProgrammingError)
    return not isinstance(error, OSError)
