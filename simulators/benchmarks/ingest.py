"""How fast readings are committed and then acknowledged, beside a client that does nothing with them.

Each run drains a persistent session that a real mosquitto has filled beforehand, so that only broker and consumer
work. The do-nothing client is paho-mqtt as its documentation starts it (`loop_start`, automatic acknowledgement, a
callback that counts). The two take turns, so that a slow moment of the machine hits both; the ratio of each round
is taken, and the median of the rounds given. Rates of different runs or machines can't be compared, ratios can. The
ratio of processor times (of this process, all threads) is given too: on a machine that is busy otherwise it says more
than the clock.

The shell pipe `mosquitto_sub | sqlite3` stores undecoded text, each message in a commit of its own without a flush, and
its broker is acknowledged before anything is stored; beside its rate stands what it loses (`kills.py`). A flow of
Node-RED is measured where the environment names one (`node_red.py`).
"""

from __future__ import annotations

import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from signal import SIGTERM
from statistics import median
from time import perf_counter, process_time, sleep
from typing import NamedTuple

from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.gc_tuning import calm_garbage_collection
from monitord.ingest.mqtt.embedded_broker import LOOPBACK
from monitord.ingest.mqtt.subscriber import Consumer
from monitord.model.config.broker import BrokerSettings
from monitord.store.series.keeping import open_store
from simulators.benchmarks import kills, members, node_red
from simulators.benchmarks.broker import PATIENCE_S, client, fill, forget, leave, mosquitto
from simulators.benchmarks.lines import Line
from simulators.benchmarks.stores import SQLITE, Store, stores

PACKS = 3_000
"""In a backlog: so many that the last batch's wait for more, 20 ms, counts for little."""
AIMS = {1: 0.8, 10: 0.4}
"""Of the do-nothing client's rate, by readings in a message."""


class Spent(NamedTuple):
    """What a drain took."""

    wall_s: float
    processor_s: float
    """Of this process, all threads; other programs on the machine hardly change it."""


class Stopwatch:
    """Starts when it is made."""

    def __init__(self) -> None:
        self._wall, self._processor = perf_counter(), process_time()

    def spent(self) -> Spent:
        """Since the start."""
        return Spent(perf_counter() - self._wall, process_time() - self._processor)


def drain_doing_nothing(port: int, client_id: str, protocol: str, count: int, pack: int) -> Spent:
    """What the do-nothing client takes, to the last message and its acknowledgement."""
    done, seen = threading.Event(), 0

    def on_message(*_: object) -> None:
        nonlocal seen
        seen += 1
        if seen == count:
            done.set()

    watch = Stopwatch()
    plain = client(port, client_id, protocol)
    plain.on_message = on_message
    plain.loop_start()
    if not done.wait(PATIENCE_S):
        raise RuntimeError(f"only {seen} of {count} messages came")
    leave(plain)
    return watch.spent()


def drain_into_store(port: int, client_id: str, protocol: str, count: int, pack: int, store: Store = SQLITE) -> Spent:
    """What our consumer takes, to the last commit and its acknowledgement; a server's own time is not counted."""
    with tempfile.TemporaryDirectory() as folder:
        store.empty(store.settings(Path(folder)))
        db = open_store(store.settings(Path(folder)))
        settings = BrokerSettings.model_validate(
            {"host": LOOPBACK, "port": port, "protocol": protocol, "client_id": client_id}
        )
        consumer = Consumer(settings, db, SystemClock(), TopicRules())
        watch = Stopwatch()
        consumer.start()
        while consumer.status.totals.inserted < count * pack and watch.spent().wall_s < PATIENCE_S:
            sleep(0.005)
        consumer.stop()
        spent = watch.spent()
        db.close()
    if consumer.status.totals.inserted != count * pack:
        raise RuntimeError(f"stored {consumer.status.totals} of {count * pack} readings")
    left = left_behind(port, client_id, protocol)
    if left:
        raise RuntimeError(f"{left} messages were not acknowledged")
    return spent


def drain_by_pipe(port: int, client_id: str, protocol: str, count: int, pack: int) -> Spent:
    """What the shell pipe takes, to the last message stored; its processes' own time is not counted."""
    with tempfile.TemporaryDirectory() as name:
        folder, watch = Path(name), Stopwatch()
        process = kills.start(kills.PIPE, port, folder)
        kills.wait_for(kills.PIPE, folder, count)
        spent = watch.spent()
        kills.end(process, SIGTERM)
        if len(kills.PIPE.stored(folder)) != count:
            raise RuntimeError("the pipe lost messages although nobody killed it")
    return spent


def drain_by_node_red(port: int, client_id: str, protocol: str, count: int, pack: int) -> Spent:
    """What a flow of Node-RED takes, with the processor time of its process."""
    with tempfile.TemporaryDirectory() as folder:
        return Spent(*node_red.drain(port, Path(folder), count * pack))


def left_behind(port: int, client_id: str, protocol: str) -> int:
    """Messages that the broker still holds for a session."""
    sleep(0.2)
    seen: list[object] = []
    plain = client(port, client_id, protocol)
    plain.on_message = lambda *arguments: seen.append(arguments)
    plain.loop_start()
    sleep(0.2)
    leave(plain)
    return len(seen)


Drain = Callable[[int, str, str, int, int], Spent]


def compare(
    port: int, drains: dict[str, Drain], protocol: str, count: int, pack: int, rounds: int
) -> list[list[Spent]]:
    """What each way takes, by turns, in each round."""
    spent: list[list[Spent]] = [[] for _ in drains]
    for number in range(rounds):
        for place, (name, drain) in list(enumerate(drains.items()))[:: 1 if number % 2 == 0 else -1]:
            client_id = name if drain in (drain_by_pipe, drain_by_node_red) else f"{name}-{protocol}-{pack}"
            fill(port, client_id, protocol, count, pack)
            spent[place].append(drain(port, client_id, protocol, count, pack))
            forget(port, client_id)
            print(".", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return spent


def lines(*, quick: bool) -> Iterator[Line]:
    """Rates against doing nothing, and readings lost under kills."""
    calm_garbage_collection()  # as the daemon does; the do-nothing client gains by it as well
    singles, rounds = (3_000, 3) if quick else (10_000, 5)
    cases = [(SQLITE, "5"), (SQLITE, "3.1.1"), *((store, "5") for store in stores() if store is not SQLITE)]
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder)) as port:
        for store, protocol in cases:
            ours: dict[str, Drain] = {
                "nothing": drain_doing_nothing,
                "monitord": partial(drain_into_store, store=store),
            }
            for pack, aim in AIMS.items():
                count = singles if pack == 1 else PACKS
                nothing, stored = compare(port, ours, protocol, count, pack, rounds)
                what = "single readings" if pack == 1 else f"packs of {pack}"
                yield Line(
                    "a",
                    f"{store.name}, MQTT {protocol}, {what}: stored, then acknowledged",
                    _against(nothing, stored, count * pack),
                    f"at least {aim}" if store is SQLITE else "",
                )
        for store in stores():
            if store.name == "PostgreSQL":
                yield from members.lines(port, store, singles)
        if node_red.folder_of() is not None:
            flow: dict[str, Drain] = {node_red.WAY.session: drain_by_node_red, "monitord": drain_into_store}
            for pack in AIMS:
                count = singles // (3 * pack)  # it takes seconds for a thousand
                theirs, stored = compare(port, flow, "5", count, pack, rounds)
                what = "single readings" if pack == 1 else f"packs of {pack}"
                result = _against(theirs, stored, count * pack)
                yield Line("a", f"SQLite, MQTT 5, {what}, against a flow of Node-RED", result, "at least 1.25")
        if kills.available(kills.PIPE):
            both: dict[str, Drain] = {"nothing": drain_doing_nothing, "pipe": drain_by_pipe}
            nothing, piped = compare(port, both, "3.1.1", singles, 1, rounds)
            yield Line("a", "mosquitto_sub | sqlite3, single readings as text", _rates(nothing, piped, singles))
    yield from _kills(quick=quick)


def _kills(*, quick: bool) -> Iterator[Line]:
    count, times = (3_000, 2) if quick else (10_000, 5)
    ours = {kills.monitord_into(store): store for store in stores()}
    flow = [node_red.WAY] if node_red.folder_of() is not None else []
    for way in filter(kills.available, [*ours, kills.PIPE, *flow]):
        with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder)) as port:
            if way in ours:
                ours[way].empty(ours[way].settings(Path(folder)))
            missing, late = kills.lost(way, port, Path(folder), count, times)
        still = f" ({late:,} still with the broker)" if late else ""
        aim = "0" if way in ours else ""
        yield Line("a", f"{way.name}: readings lost of {count:,} under {times} kills", f"{missing:,}{still}", aim)


def _rates(nothing: list[Spent], other: list[Spent], readings: int) -> str:
    ratio = median(a.wall_s / b.wall_s for a, b in zip(nothing, other, strict=True))
    rate, base = (readings / median(spent.wall_s for spent in runs) for runs in (other, nothing))
    return f"{ratio:.2f} ({rate:,.0f} against {base:,.0f} a second)"


def _against(nothing: list[Spent], ours: list[Spent], readings: int) -> str:
    costs = [median(spent.processor_s for spent in runs) / readings * 1e6 for runs in (nothing, ours)]
    return f"{_rates(nothing, ours, readings)}; processor {costs[0] / costs[1]:.2f} ({costs[1]:.1f} us)"
