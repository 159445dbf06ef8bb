"""One run of everything behind the broker in a process of its own: readings in, a round of assessment, people told.

Every step is the program's own; at a named point the process kills itself. The channel is a file that a line is
appended to for each message, so that what left the process before it died can be seen after.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from alerts_child import FileChannel, die, then_die
from alerts_support import T0, HandClock, LongestPause, settings

import monitord.pipeline
from monitord.alerts.lifecycle.rules import AlertRules, Rule
from monitord.alerts.sending.dispatcher import Dispatcher
from monitord.alerts.sending.outbox import enqueue_news
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.pipeline import assess_pending
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch

RULES = AlertRules([Rule(kind="condensation", unit="1", raise_at=0.6, clear_at=0.3)])
POINTS = (
    "readings committed",
    "assessed",
    "alerts and assessment written, not committed",
    "alerts and assessment committed",
    "messages committed",
    "sent",
)
HOUSE = JobFile.model_validate(
    {
        "job": "J1",
        "start": T0,
        "locations": [{"id": "room", "kind": "room_air", "f_rsi": 0.6}, {"id": "yard", "kind": "outdoor_air"}],
        "probes": [{"id": p, "location_id": at, "from": T0} for p, at in (("a1", "room"), ("b1", "yard"))],
    }
)


def readings(hours: int, humidity_pct: float) -> list[Reading]:
    """An hour of a room at 22 °C; outdoors it is -5 °C. At 75 % its cold surface is wet, at 30 % it is dry."""
    found = []
    for minute in range(hours * 60 - 60, hours * 60, 10):
        time, sway = T0 + timedelta(minutes=minute), minute % 30 / 100
        for probe, t, rh in (("a1", 22.0 + sway, humidity_pct + sway), ("b1", -5.0 + sway, 85.0 - sway)):
            made = {"probe": probe, "time": time, "temperature_c": t, "relative_humidity_pct": rh}
            found.append(Reading(**made, received_at=time))
    return found


def run(folder: str, hours: int, humidity_pct: float | None, point: str = "") -> None:
    """As of some hours after the start: take in an hour of readings (None: none), assess what is marked, tell."""
    db, clock, one = Database.open(f"sqlite:///{folder}/db.sqlite3"), HandClock(T0 + timedelta(hours=hours)), settings()
    if humidity_pct is not None:
        with db.write() as conn:
            jobs.apply_job(conn, HOUSE)
            insert_batch(conn, readings(hours, humidity_pct))
        if point == "readings committed":
            die()
    if point == "assessed":
        monitord.pipeline.assess_job = then_die(monitord.pipeline.assess_job)
    if point == "alerts and assessment written, not committed":
        monitord.pipeline.pending_jobs.clear_mark = then_die(monitord.pipeline.pending_jobs.clear_mark)
    assert not assess_pending(db, clock, RULES, AnalysisOptions()).failed
    if point == "alerts and assessment committed":
        die()
    enqueue_news(db, one, RULES, clock.now())
    if point == "messages committed":
        die()
    dispatcher = Dispatcher(db, {"mail": FileChannel(Path(folder) / "sent", point)}, clock, one, LongestPause())
    dispatcher.run_once()
    dispatcher.stop(5)
    db.close()
