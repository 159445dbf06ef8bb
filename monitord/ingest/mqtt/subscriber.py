"""Readings from the brokers: taken in, committed in batches, and only then acknowledged.

A thread for each broker and one more. The network threads move bytes and queue messages; the writer thread commits a
batch, from whichever brokers it came, and hands each broker its acknowledgements back. A crash at any moment leaves a
message either un-acknowledged, and then its broker sends it again, or stored; a message that comes twice is stored
once, since its key is there already.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from time import monotonic, sleep

from monitord.clock import Clock
from monitord.errors import StoreError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.connection import Connection
from monitord.ingest.mqtt.link import MAIN, Arrival, LinkState
from monitord.ingest.mqtt.shared_group import as_member
from monitord.ingest.writer import BatchWriter, Outcome
from monitord.model.config.broker import BrokerSettings, QuarantineSettings
from monitord.store.db.database import Database

log = logging.getLogger(__name__)

_LULL = 0.1
"""Share of `batch_wait_s` without a message after which a batch is not waited for any longer: the broker may have
sent all it will before we acknowledge."""
_ROOM = 4
"""Batches that wait at most; then the network is left alone until one is committed."""
_ROOM_BYTES = 64 * 2**20
"""Payloads that wait at most, likewise. Our choice."""
_RETRY_FIRST_S = 0.2
_RETRY_MAX_S = 10.0


@dataclass(frozen=True)
class ConsumerStatus:
    """How the way in stands, for the health page and the operator."""

    links: Mapping[str, LinkState]
    """By the names of the brokers."""
    running: bool
    """All threads are alive."""
    received: int
    """Messages since the start."""
    waiting: int
    """Messages received and not yet committed."""
    totals: Outcome
    """What became of the committed ones."""
    last_commit_at: datetime | None
    store_error: str | None
    """Why the store refuses at present; the batch is being tried again."""
    still_s: float
    """For how long one of the threads has not moved although it should. [s]"""

    @property
    def link(self) -> LinkState:
        """How the first broker's stands."""
        return next(iter(self.links.values()))


class Consumer:
    """Takes readings from brokers into the store, from `start` to `stop`.

    Parameters
    ----------
    settings : the broker, or several by their names; what batches are made of is taken from the first.
    db : the store.
    clock : stamps arrivals.
    rules : what each topic carries; also what is subscribed to.
    quarantine : how much of what can't be understood is kept.
    member : name of this process, where several take the readings of these brokers in turn; None: it is the only one.
    leaving : take what waits in the sessions, and give these up at the end.

    Raises
    ------
    ConfigurationError : the TLS files can't be used, or `also_read` holds what is no topic filter.
    """

    def __init__(
        self,
        settings: BrokerSettings | Mapping[str, BrokerSettings],
        db: Database,
        clock: Clock,
        rules: TopicRules,
        quarantine: QuarantineSettings | None = None,
        member: str | None = None,
        *,
        leaving: bool = False,
    ) -> None:
        brokers = {MAIN: settings} if isinstance(settings, BrokerSettings) else settings
        self._settings = first = next(iter(brokers.values()))
        self._clock = clock
        self._writer = BatchWriter(db, rules, first.max_payload_bytes, quarantine)
        self._room = max(_ROOM * first.batch_size, *(broker.receive_maximum for broker in brokers.values()))
        self._links = []
        for name, broker in brokers.items():
            filters = rules.filters(broker.also_read)
            one, wanted = as_member(broker, filters, member)
            take, room = self._take, self._has_room
            self._links.append(Connection(one, wanted, clock, take, room, name=name, leaving=leaving))
        self._counting = threading.Lock()
        self._bursts: queue.SimpleQueue[list[Arrival] | None] = queue.SimpleQueue()
        self._pending: deque[Arrival] = deque()
        self._received = 0
        self._done = 0
        self._received_bytes = 0
        self._done_bytes = 0
        self._totals = Outcome()
        self._last_commit_at: datetime | None = None
        self._store_error: str | None = None
        self._moved_at = monotonic()
        self._stopping = threading.Event()
        self._give_up_at = 0.0
        self._networks = [
            threading.Thread(target=link.run, name=f"ingest-{link.name}", daemon=True) for link in self._links
        ]
        self._committer = threading.Thread(target=self._write, name="ingest-writer", daemon=True)

    @property
    def status(self) -> ConsumerStatus:
        """How it stands; may be asked from any thread."""
        return ConsumerStatus(
            links={link.name: link.state for link in self._links},
            running=all(thread.is_alive() for thread in (*self._networks, self._committer)),
            received=self._received,
            waiting=self._received - self._done,
            totals=self._totals,
            last_commit_at=self._last_commit_at,
            store_error=self._store_error,
            still_s=self._still_s(),
        )

    def _still_s(self) -> float:
        """The network threads go round all the time, the writer only while messages wait. [s]"""
        if self._stopping.is_set() or not all(network.is_alive() for network in self._networks):
            return 0.0
        moved = min(link.moved_at for link in self._links)
        if self._received > self._done:
            moved = min(moved, self._moved_at)
        return max(0.0, monotonic() - moved)

    @property
    def forgotten(self) -> bool:
        """Whether, once stopped, every broker was told to forget its session: nothing was left in it."""
        return all(link.forgotten for link in self._links)

    def start(self) -> None:
        """Begin; returns at once, whether or not the brokers can be reached. Once only."""
        self._committer.start()
        for network in self._networks:
            network.start()

    def stop(self, timeout: float = 10.0) -> bool:
        """Take no more messages, commit and acknowledge those that are here, and leave.

        Parameters
        ----------
        timeout : how long that may take at most. [s] What is not committed by then stays un-acknowledged: the
            broker sends it again when the daemon is back.

        Returns
        -------
        Whether everything that was received is committed. Calling it again is harmless.
        """
        self._give_up_at = monotonic() + timeout
        for link in self._links:
            link.pause()
        self._bursts.put(None)
        self._stopping.set()
        _join(self._committer, timeout)
        for link in self._links:
            link.close()
        for network in self._networks:
            _join(network, max(1.0, self._give_up_at - monotonic()))
        return self._received == self._done and not self._committer.is_alive()

    # --- the network threads -----------------------------------------------------------------------------------

    def _take(self, burst: list[Arrival]) -> None:
        with self._counting:  # two brokers may deliver at once
            if self._received == self._done:
                self._moved_at = monotonic()  # from here on the writer has something to do
            self._received += len(burst)
            self._received_bytes += _size(burst)
        self._bursts.put(burst)

    def _has_room(self) -> bool:
        return self._received - self._done < self._room and self._received_bytes - self._done_bytes < _ROOM_BYTES

    # --- the writer thread -------------------------------------------------------------------------------------

    def _write(self) -> None:
        while batch := self._next_batch():
            if not self._commit(batch):
                return
            self._moved_at = monotonic()
            self._done += len(batch)
            self._done_bytes += _size(batch)
            tokens = [arrival.token for arrival in batch if arrival.token is not None]
            for link in self._links:
                link.acknowledge([token for token in tokens if token.broker == link.name])

    def _next_batch(self) -> list[Arrival]:
        """The next messages to commit together; none: the end has come."""
        pending, size = self._pending, self._settings.batch_size
        wait_until = monotonic() + self._settings.batch_wait_s
        while len(pending) < size:
            left = min(wait_until - monotonic(), _LULL * self._settings.batch_wait_s) if pending else None
            try:
                burst = self._bursts.get(timeout=left) if left is None or left > 0 else self._bursts.get_nowait()
            except queue.Empty:
                break
            if burst is None:
                self._bursts.put(None)  # for the next round: first what came before the end
                break
            if not pending:
                wait_until = monotonic() + self._settings.batch_wait_s
            pending.extend(burst)
        return [pending.popleft() for _ in range(min(size, len(pending)))]

    def _commit(self, batch: list[Arrival]) -> bool:
        """Commit a batch, however often that must be tried. False: the consumer is stopping and it can't be done."""
        messages = [arrival.message for arrival in batch]
        pause = _RETRY_FIRST_S
        while True:
            self._moved_at = monotonic()
            try:
                self._totals = self._totals.plus(self._writer.commit(messages))
            except Exception as error:
                self._refused(error, len(batch))
            else:
                self._store_error = None
                self._last_commit_at = self._clock.now()
                return True
            if not self._stopping.wait(pause):
                pause = min(2 * pause, _RETRY_MAX_S)
            elif monotonic() + _RETRY_FIRST_S < self._give_up_at:
                sleep(_RETRY_FIRST_S)
            else:
                return False

    def _refused(self, error: Exception, count: int) -> None:
        text = str(error)
        if text != self._store_error:
            log.error(
                "%d messages wait un-acknowledged, the store refuses them: %s", count, text,
                exc_info=None if isinstance(error, StoreError) else error,
            )  # fmt: skip
        self._store_error = text


def _size(arrivals: Sequence[Arrival]) -> int:
    return sum(len(arrival.message.payload) for arrival in arrivals)


def _join(thread: threading.Thread, timeout: float) -> None:
    if thread.ident is not None:
        thread.join(timeout)
