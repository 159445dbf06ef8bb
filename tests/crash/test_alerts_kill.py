"""The process is killed between each pair of steps of assess, commit, decide, send and record."""

from __future__ import annotations

import multiprocessing.forkserver
import os
import signal
from collections.abc import Callable, Iterator
from multiprocessing.context import ForkServerContext
from pathlib import Path

import alerts_child
import pipeline_child
import pytest

from monitord.store import alerts as stored_alerts
from monitord.store import assessments, pending_jobs
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database


@pytest.fixture(scope="module")
def processes() -> Iterator[ForkServerContext]:
    """Children that have everything imported already: a start takes milliseconds, and memory is not shared."""
    series = Path(__file__).parent
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["alerts_child", "pipeline_child"])
    with pytest.MonkeyPatch.context() as patch:
        tests = series.parent
        patch.setenv("PYTHONPATH", os.pathsep.join(map(str, (series, tests / "support", tests, tests.parent))))
        multiprocessing.forkserver.ensure_running()
    # what the server can't import it leaves to each child, without a word
    look = context.Process(target=exec, args=("import sys; sys.exit('pipeline_child' not in sys.modules)",))
    look.start()
    look.join(30)
    assert look.exitcode == 0, "the children do not have everything imported already"
    yield context
    multiprocessing.forkserver._forkserver._stop()  # type: ignore[attr-defined]


class Site:
    """One folder with a database and what was sent."""

    def __init__(self, folder: Path, processes: ForkServerContext) -> None:
        self.folder, self.processes = folder, processes

    def run(self, minute: float, value: float, point: str = "") -> None:
        self._run(alerts_child.run, minute, value, point)

    def run_all(self, hours: int, humidity_pct: float | None, point: str = "") -> None:
        self._run(pipeline_child.run, hours, humidity_pct, point)

    def _run(self, work: Callable[..., None], *what: object) -> None:
        point = what[-1]
        child = self.processes.Process(target=work, args=(str(self.folder), *what))
        child.start()
        child.join(30)
        assert child.exitcode == (-signal.SIGKILL if point else 0), f"exit code {child.exitcode} at {point!r}"

    @property
    def sent(self) -> list[tuple[str, str]]:
        path = self.folder / "sent"
        lines = path.read_text().splitlines() if path.exists() else []
        return [(line.split()[0], line.split()[1]) for line in lines]


def once(sent: list[tuple[str, str]]) -> list[str]:
    """The news in order, repeats of one message (by its id) left out."""
    return [news for _, news in dict.fromkeys(sent)]


@pytest.mark.parametrize("point", alerts_child.POINTS)
def test_an_opening_and_a_closing_survive_a_kill(point: str, tmp_path: Path, processes: ForkServerContext) -> None:
    """Killed at this point of the opening, and again at the same point of the closing. After each, the program starts
    again and assesses the same readings, as its durable mark makes it do."""
    site = Site(tmp_path, processes)
    site.run(0, 0.9, point)
    site.run(5, 0.9)
    site.run(6, 0.9)
    site.run(30, 0.1, point)
    site.run(35, 0.1)
    site.run(36, 0.1)
    assert once(site.sent) == ["opened", "closed"]
    repeats = len(site.sent) - 2
    assert repeats == (2 if point in alerts_child.REPEATS else 0), f"{site.sent}"
    db = Database.open(f"sqlite:///{tmp_path}/db.sqlite3")
    with db.read() as conn:
        assert [event.event for event in stored_alerts.events(conn)] == ["opened", "closed"]
        assert stored_outbox.waiting(conn) == []
        assert [line.outcome for line in stored_outbox.log(conn)] == ["sent", "sent"]
    db.close()


@pytest.mark.parametrize("point", pipeline_child.POINTS)
def test_from_the_commit_of_readings_to_the_message_nothing_is_lost_by_a_kill(
    point: str, tmp_path: Path, processes: ForkServerContext
) -> None:
    """Readings of a wet hour, then of a dry one. Killed at this point of each; then the program starts again with no
    new reading, and goes on by what is stored alone: its mark, its alerts, its outbox."""
    site = Site(tmp_path, processes)
    for hours, humidity_pct in ((2, 75.0), (3, 30.0)):
        site.run_all(hours, humidity_pct, point)
        for _ in range(2):
            site.run_all(hours, None)
    assert once(site.sent) == ["opened", "closed"]
    assert len(site.sent) - 2 == (2 if point == "sent" else 0), f"{site.sent}"
    db = Database.open(f"sqlite:///{tmp_path}/db.sqlite3")
    with db.read() as conn:
        assert [event.event for event in stored_alerts.events(conn)] == ["opened", "closed"]
        assert pending_jobs.marked_jobs(conn) == []
        latest = assessments.latest_assessment(conn, "J1")
    assert latest is not None
    db.close()
