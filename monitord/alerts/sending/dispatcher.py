"""Sends what waits in the outbox: count the try, send, then record log and outbox in one commit.

At least once: a crash between sending and recording repeats a message, under the same id. Without a crash, exactly
once. A channel that hangs holds up nobody but itself.
"""

from __future__ import annotations

import logging
import random
from collections.abc import Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import datetime, timedelta
from time import monotonic

from monitord.alerts.sending.channels.base import Channel, ChannelError
from monitord.clock import Clock
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.messages import Message, OutboxEntry, OutboxState
from monitord.store import outbox as stored
from monitord.store.db.database import Database

_log = logging.getLogger(__name__)
_LAST_CHANCE = timedelta(seconds=1)
"""How long before its deadline a message is tried for the last time."""


@dataclass
class Dispatched:
    """What one round of sending did."""

    sent: int = 0
    failed: int = 0
    given_up: int = 0
    still_sending: int = 0


def backoff_s(attempts: int, settings: AlertSettings, rng: random.Random) -> float:
    """Pause before the next try: a random share of a ceiling that doubles with each try (full jitter). [s]"""
    ceiling: float = min(settings.retry_cap_s, settings.retry_first_s * 2.0 ** min(attempts - 1, 60))
    return rng.uniform(0.0, ceiling)


class Dispatcher:
    """Sends due messages through the channels.

    Parameters
    ----------
    channels : name to channel; what goes to a name that is not there fails and is tried again.
    rng : the randomness of the backoff.
    workers : messages that are sent at one time.
    holder : this process, where several send from one outbox; each message is then held by the one that sends it. A
        process that dies or stands still lets go of it after `hold_s` [s], and another sends it, under the same id.
    """

    def __init__(
        self,
        db: Database,
        channels: Mapping[str, Channel],
        clock: Clock,
        settings: AlertSettings,
        rng: random.Random | None = None,
        workers: int = 8,
        holder: str | None = None,
        hold_s: float = 60.0,
    ) -> None:
        self._db = db
        self._channels = channels
        self._clock = clock
        self._settings = settings
        self._rng = rng or random.Random()
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="message")
        self._workers = workers
        self._holder = holder
        self._hold_s = hold_s
        self._sending: dict[str, tuple[OutboxEntry, Future[None]]] = {}
        self._left_alone: dict[str, datetime] = {}
        """Channels whose other side asked for a pause, and until when."""

    def run_once(self, patience_s: float = 5.0) -> Dispatched:
        """Send what is due; return when all of it is done, or when patience is over.

        What is still being sent then is recorded by a later call and not sent a second time meanwhile.
        """
        result = Dispatched()
        self._record_finished(result)
        self._go_on_holding()
        self._begin()
        give_up = monotonic() + patience_s
        while self._sending and (left := give_up - monotonic()) > 0:
            wait([future for _, future in self._sending.values()], timeout=left, return_when=FIRST_COMPLETED)
            self._record_finished(result)
            self._begin()
        result.still_sending = len(self._sending)
        return result

    def stop(self, timeout_s: float) -> None:
        """Begin nothing more; wait for what is being sent, up to a time, and record it. Safe to call twice."""
        wait([future for _, future in self._sending.values()], timeout=timeout_s)
        self._record_finished(Dispatched())
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _begin(self) -> None:
        room = self._workers - len(self._sending)
        if room <= 0:
            return
        with self._db.read() as conn:
            due = stored.due(conn, self._clock.now(), holder=self._holder)
            ready = in_order(due, stored.waiting(conn)) if due else []
        chosen = [e for e in ready if e.message.id not in self._sending and self._may_try(e.message)][:room]
        if not chosen:
            return
        with self._db.write() as conn:
            if self._holder is not None:
                chosen = stored.hold(conn, chosen, self._holder, self._hold_s)
            for entry in chosen:
                stored.record_attempt(conn, entry.message.id)
        for entry in chosen:
            future = self._pool.submit(self._send, entry.message)
            self._sending[entry.message.id] = (entry, future)

    def _go_on_holding(self) -> None:
        if self._holder is not None and self._sending:
            with self._db.write() as conn:
                stored.hold_longer(conn, self._sending, self._holder, self._hold_s)

    def _may_try(self, message: Message) -> bool:
        """Not while the channel is to be left alone; but a last try is made just before the deadline."""
        until, now = self._left_alone.get(message.channel), self._clock.now()
        return until is None or now >= until or now >= message.deadline - _LAST_CHANCE

    def _send(self, message: Message) -> None:
        channel = self._channels.get(message.channel)
        if channel is None:
            raise ChannelError(f"there is no channel {message.channel!r} any more", where="alerts.channels")
        channel.send(message)

    def _record_finished(self, result: Dispatched) -> None:
        for id_, (entry, future) in list(self._sending.items()):
            if future.done():
                self._record(entry, future, result)
                del self._sending[id_]

    def _record(self, entry: OutboxEntry, future: Future[None], result: Dispatched) -> None:
        now, message, error = self._clock.now(), entry.message, future.exception()
        with self._db.write() as conn:
            if error is None:
                stored.record_sent(conn, message, now)
                result.sent += 1
                return
            said = error.message if isinstance(error, ChannelError) else f"{type(error).__name__}: {error}"
            pause_s = backoff_s(entry.attempts + 1, self._settings, self._rng)
            if isinstance(error, ChannelError) and error.retry_after_s is not None:
                pause_s = max(pause_s, error.retry_after_s)
                self._left_alone[message.channel] = now + timedelta(seconds=error.retry_after_s)
            if stored.tried_since(conn, message.id, entry.attempts + 1):
                return  # another process has it now; how that went is what counts
            state = stored.record_failure(conn, message, now, said, self._next_try(message, now, pause_s))
        if state is OutboxState.UNDELIVERABLE:
            result.given_up += 1
            _log.error("given up: %s to %s by %s: %s", message.title, message.person, message.channel, said)
        else:
            result.failed += 1
            _log.warning("not delivered to %s by %s, tried again later: %s", message.person, message.channel, said)

    @staticmethod
    def _next_try(message: Message, now: datetime, pause_s: float) -> datetime:
        """After the pause; but one last try is made just before the deadline."""
        next_try = now + timedelta(seconds=pause_s)
        last_chance = message.deadline - _LAST_CHANCE
        return last_chance if now < last_chance < next_try else next_try


def in_order(due: Sequence[OutboxEntry], waiting: Sequence[OutboxEntry]) -> list[OutboxEntry]:
    """The due messages that no older one has to go before: nobody hears that an alert is over before they hear of it.

    Only messages to the same person by the same channel about the same episode keep their order.
    """
    first: dict[tuple[str, str, str, int], str] = {}
    for entry in waiting:  # oldest first
        for key in _keys(entry.message):
            first.setdefault(key, entry.message.id)
    return [e for e in due if all(first.get(key, e.message.id) == e.message.id for key in _keys(e.message))]


def _keys(message: Message) -> list[tuple[str, str, str, int]]:
    return [(message.person, message.channel, item.subject, item.episode) for item in message.items]
