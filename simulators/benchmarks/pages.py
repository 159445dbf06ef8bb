"""Pages and JSON as a browser and a program ask for them, while readings go on landing.

The dashboard is served on a port of its own over 40 jobs that have been assessed, one of them with 30 locations and 90
days at five minutes; clients in threads of the same process (so that their work counts as well) ask one after the other
over kept connections, and a writer commits a reading of other probes twenty times a second, as far as it gets to. What
a browser keeps is not kept here: every answer is a whole one, packed. Processor time is that of the whole process,
clients and writer included: on a busy machine it says more than the clock. The very first answer, of which nothing was
kept, is told by itself.
"""

from __future__ import annotations

import http.client
import tempfile
import threading
from collections.abc import Iterator
from datetime import timedelta
from statistics import quantiles
from time import perf_counter, process_time
from typing import NamedTuple

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.daemon.web_server import WebServer
from monitord.model.access import Role
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.settings import Settings
from monitord.pipeline import assess_pending
from monitord.store.access import people, sessions
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch
from monitord.web.app import create_app
from monitord.web.middleware.gate import cookie_names
from simulators.benchmarks.jobs import SetClock, at, make, readings, store
from simulators.benchmarks.lines import Line
from simulators.benchmarks.replay import DAY_S

CLIENTS = (1, 4)
LARGE_INTERVAL_S = 300.0
"""Between two readings of a probe of the large job. [s]"""


class Asked(NamedTuple):
    """How a page was answered to some clients at once."""

    rate: float
    """[1/s]"""
    late_s: float
    """The 95th percentile of the answers' times."""
    processor_s: float
    """Of each answer."""
    size: int
    """Of an answer as it is sent. [bytes]"""


def ask(address: str, path: str, cookie: str, times: int, took: list[tuple[float, int]]) -> None:
    """Ask for a page again and again over one connection; time [s] and size [bytes] of each answer go into `took`."""
    connection = http.client.HTTPConnection(address, timeout=60)
    for _ in range(times):
        begun = perf_counter()
        connection.request("GET", path, headers={"Cookie": cookie, "Accept-Encoding": "gzip"})
        answer = connection.getresponse()
        body = answer.read()
        took.append((perf_counter() - begun, len(body)))
        if answer.status != 200 or not body:
            raise RuntimeError(f"{path}: {answer.status} {answer.reason}")
    connection.close()


def asked(address: str, path: str, cookie: str, times: int, clients: int) -> Asked:
    """Ask for a page by some clients at once."""
    took: list[tuple[float, int]] = []
    threads = [threading.Thread(target=ask, args=(address, path, cookie, times, took)) for _ in range(clients)]
    begun, worked = perf_counter(), process_time()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    spent, work = perf_counter() - begun, process_time() - worked
    if len(took) != clients * times:
        raise RuntimeError(f"{path}: only {len(took)} of {clients * times} answers came")
    late = quantiles([second for second, _ in took], n=20)[-1]
    return Asked(len(took) / spent, late, work / len(took), max(size for _, size in took))


def go_on_landing(db: Database, ended: threading.Event) -> None:
    """Commit readings of probes that belong to no job, one at a time, until told to end."""
    other = make(999, 20, sleeves=False)
    turn = 0
    while not ended.is_set():
        for reading in readings(other, turn * 600.0, (turn + 1) * 600.0, turn):
            if ended.wait(0.05):
                return
            with db.write() as conn:
                insert_batch(conn, [reading])
        turn += 1


def lines(*, quick: bool) -> Iterator[Line]:
    """The list of jobs, a small job, a large one and one of its locations."""
    days, large_days, times = (3.0, 6.0, 5) if quick else (20.0, 90.0, 40)
    with tempfile.TemporaryDirectory() as folder:
        db = Database.open(f"sqlite:///{folder}/monitord.db")
        small = store(db, 39, 8, days, sleeves=False)[0].job
        (large,) = store(db, 1, 30, large_days, sleeves=False, first=39, interval_s=LARGE_INTERVAL_S)
        clock = SetClock(at(large_days * DAY_S) + timedelta(minutes=1))
        assess_pending(db, clock, default_rule_book(), AnalysisOptions())
        with db.write() as conn:
            people.add_person(conn, "owner", "Owner", Role.OWNER, None, clock.now())
            secret = sessions.open_session(conn, "owner", clock.now(), timedelta(days=30))
        cookie = f"{cookie_names('http')[0]}={secret}"
        server = WebServer(create_app(db, clock, Settings()), "127.0.0.1", 0)
        server.start()
        ended = threading.Event()
        writer = threading.Thread(target=go_on_landing, args=(db, ended))
        writer.start()
        try:
            address = server.url.removeprefix("http://").rstrip("/")
            job = f"/jobs/{large.job}"
            location = f"{job}/locations/{large.locations[4].id}"
            for path in ("/", "/alerts", f"/jobs/{small}", job, location, f"{location}?span=all", f"/api{job}"):
                first: list[tuple[float, int]] = []
                ask(address, path, cookie, 1, first)
                yield Line("c", f"{path}, the first time", f"{first[0][0]:.2f} s")
                for clients in CLIENTS:
                    found = asked(address, path, cookie, times, clients)
                    spent = f"p95 {found.late_s:.2f} s, processor {1e3 * found.processor_s:.0f} ms"
                    said = f"{found.rate:.1f} a second, {spent}, {found.size / 1e3:.0f} kB"
                    yield Line("c", f"{path}, {clients} at once, readings landing", said)
        finally:
            ended.set()
            writer.join()
            server.stop(3.0)
            db.close()
