"""Pages and JSON as a browser and a program ask for them, while readings go on landing.

The dashboard is served on a port of its own over a job with history that has been assessed; clients in threads of the
same process (so that their work counts as well) ask one after the other over kept connections, and a writer commits a
batch of readings of other probes twenty times a second, as far as it gets to. What a browser keeps is not kept here:
every answer is a whole one.
"""

from __future__ import annotations

import http.client
import tempfile
import threading
from collections.abc import Iterator
from datetime import timedelta
from statistics import quantiles
from time import perf_counter

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

CLIENTS = 4


def ask(address: str, path: str, cookie: str, times: int, took: list[float]) -> None:
    """Ask for a page again and again over one connection; how long each answer took is added to `took`. [s]"""
    connection = http.client.HTTPConnection(address, timeout=60)
    for _ in range(times):
        begun = perf_counter()
        connection.request("GET", path, headers={"Cookie": cookie})
        answer = connection.getresponse()
        body = answer.read()
        took.append(perf_counter() - begun)
        if answer.status != 200 or not body:
            raise RuntimeError(f"{path}: {answer.status} {answer.reason}")
    connection.close()


def asked(address: str, path: str, cookie: str, times: int) -> tuple[float, float]:
    """Requests a second, and the 95th percentile of their times [s], of `CLIENTS` at once."""
    took: list[float] = []
    threads = [threading.Thread(target=ask, args=(address, path, cookie, times, took)) for _ in range(CLIENTS)]
    begun = perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    spent = perf_counter() - begun
    if len(took) != CLIENTS * times:
        raise RuntimeError(f"{path}: only {len(took)} of {CLIENTS * times} answers came")
    return len(took) / spent, quantiles(took, n=20)[-1]


def go_on_landing(db: Database, ended: threading.Event) -> None:
    """Commit readings of probes that belong to no job until told to end."""
    other = make(999, 20, sleeves=False)
    turn = 0
    while not ended.wait(0.05):
        with db.write() as conn:
            insert_batch(conn, list(readings(other, turn * 600.0, (turn + 1) * 600.0, turn)))
        turn += 1


def lines(*, quick: bool) -> Iterator[Line]:
    """A few pages of a job."""
    days, times = (5.0, 10) if quick else (30.0, 50)
    with tempfile.TemporaryDirectory() as folder:
        db = Database.open(f"sqlite:///{folder}/monitord.db")
        (job,) = store(db, 1, 20, days, sleeves=False)
        clock = SetClock(at(days * DAY_S) + timedelta(minutes=1))
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
            for path in ("/", f"/jobs/{job.job}", f"/api/jobs/{job.job}"):
                rate, late = asked(address, path, cookie, times)
                yield Line(
                    "c", f"{path}, {CLIENTS} clients, readings landing", f"{rate:.1f} a second, p95 {late:.2f} s"
                )
        finally:
            ended.set()
            writer.join()
            server.stop(3.0)
            db.close()
