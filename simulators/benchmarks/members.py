"""One process that ingests into PostgreSQL against two that share the messages: readings a second of each.

The sessions of the members are there before the messages are published, so that the broker has dealt them out. Counted
is from the first reading seen in the database to the last; the server works on the same processors.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from multiprocessing.synchronize import Event
from pathlib import Path
from time import perf_counter, sleep

from sqlalchemy import text

from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.gc_tuning import calm_garbage_collection
from monitord.ingest.mqtt.embedded_broker import LOOPBACK
from monitord.ingest.mqtt.shared_group import as_member
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.model.config.settings import DatabaseSettings, Settings
from monitord.store.series.keeping import open_store
from simulators.benchmarks.broker import PATIENCE_S, forget, messages, publish
from simulators.benchmarks.kills import open_session
from simulators.benchmarks.lines import Line
from simulators.benchmarks.stores import Store

_POLL_S = 0.02


def _take(url: str, port: int, member: str, stop: Event) -> None:
    calm_garbage_collection()
    db = open_store(Settings(database=DatabaseSettings(url=url)), migrate=False)
    consumer = Consumer(BrokerSettings(host=LOOPBACK, port=port), db, SystemClock(), TopicRules(), member=member)
    consumer.start()
    stop.wait()
    consumer.stop()
    db.close()


def rate(port: int, store: Store, names: tuple[str, ...], count: int, pack: int) -> float:
    """Readings a second that these members take in together."""
    settings = store.settings(Path())
    store.empty(settings)
    db = open_store(settings)
    broker, filters = BrokerSettings(host=LOOPBACK, port=port), TopicRules().filters()
    sessions = [as_member(broker, filters, name) for name in names]
    for one, wanted in sessions:
        open_session(port, one.client_id, wanted)
    publish(port, messages(count, pack))
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    running = [context.Process(target=_take, args=(settings.database.url, port, name, stop)) for name in names]
    try:
        for process in running:
            process.start()
        first, begun, until = 0, 0.0, perf_counter() + PATIENCE_S
        while perf_counter() < until:
            with db.read() as conn:
                rows = conn.execute(text("SELECT count(*) FROM reading")).scalar_one()
            if rows and not first:
                first, begun = rows, perf_counter()
            if rows == count * pack:
                return float(rows - first) / (perf_counter() - begun)
            sleep(_POLL_S)
        raise RuntimeError(f"{rows} of {count * pack} readings were stored")
    finally:
        stop.set()
        for process in running:
            process.join()
        for one, _ in sessions:
            forget(port, one.client_id)
        db.close()


def lines(port: int, store: Store, count: int) -> Iterator[Line]:
    """One against two, single readings and packs of ten."""
    for pack in (1, 10):
        alone, both = (rate(port, store, names, count, pack) for names in (("1",), ("1", "2")))
        what = "single readings" if pack == 1 else f"packs of {pack}"
        yield Line(
            "a",
            f"{store.name}, MQTT 5, {what}: two processes that ingest against one",
            f"{both / alone:.2f} ({both:,.0f} against {alone:,.0f} a second)",
        )
