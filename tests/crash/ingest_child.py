"""A small daemon that only takes readings in, for the crash tests to kill; with ways to die at a chosen point."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from sqlalchemy import Connection as DatabaseConnection

from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.link import Token
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.store.db.database import Database


def die() -> None:
    """As `kill -9` does: no handler, no cleaning up."""
    os.kill(os.getpid(), signal.SIGKILL)


class DyingDatabase(Database):
    """Dies with everything of the n-th batch written and nothing of it committed."""

    left = 0

    @contextmanager
    def write(self, *, shared: bool = False) -> Iterator[DatabaseConnection]:
        with super().write(shared=shared) as conn:
            yield conn
            self.left -= 1
            if self.left == 0:
                die()


def die_instead_of_acknowledging(consumer: Consumer, left: int) -> None:
    """Let the n-th batch be committed, and die before the broker is told."""
    (link,) = consumer._links
    acknowledge = link.acknowledge
    batches = iter(range(left - 1, -1, -1))

    def last_word(tokens: Sequence[Token]) -> None:
        if next(batches) == 0:
            die()
        acknowledge(tokens)

    link.acknowledge = last_word  # type: ignore[method-assign]


def main(settings_json: str, url: str, fault: str = "", batch: str = "0") -> None:
    """Take readings in until told to stop."""
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    kind = DyingDatabase if fault == "before commit" else Database
    db = kind.open(url)
    if isinstance(db, DyingDatabase):
        db.left = int(batch)
    consumer = Consumer(BrokerSettings.model_validate_json(settings_json), db, SystemClock(), TopicRules())
    if fault == "before acknowledgement":
        die_instead_of_acknowledging(consumer, int(batch))
    consumer.start()
    stop.wait()
    consumer.stop()
    db.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
