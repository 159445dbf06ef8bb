"""Archiving and putting back are killed without warning before each of their commits; nothing is lost or altered."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import archive_support as support
import pytest
from archive_support import CRITERIA, NOW, OPTIONS
from sqlalchemy import Connection

from monitord.report.readings_archive import archive_readings, restore_readings
from monitord.store.db.database import Database
from monitord.store.series import archived, rollups


def killed_before_commit(work: Callable[[], object], number: int) -> bool:
    """Do some work in a process that is killed just before its commit of that number, or before it renames a file (0).

    False: it ended before.
    """
    child = os.fork()
    if child == 0:
        write, commits = Database.write, 0

        @contextmanager
        def counted(self: Database, *, shared: bool = False) -> Iterator[Connection]:
            nonlocal commits
            with write(self, shared=shared) as conn:
                yield conn
                commits += 1
                if commits == number:
                    os.kill(os.getpid(), signal.SIGKILL)

        Database.write = counted  # type: ignore[method-assign]
        if number == 0:
            Path.rename = lambda *_: os.kill(os.getpid(), signal.SIGKILL)  # type: ignore[assignment, method-assign]
        try:
            work()
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFEXITED(status) or os.WTERMSIG(status) == signal.SIGKILL
    return os.WIFSIGNALED(status)


@pytest.fixture
def url(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(archived, "AT_ONCE", 120)
    made = f"sqlite:///{tmp_path}/m.sqlite3"
    db = Database.open(made)
    support.fill(db)
    db.close()
    return made


def test_a_kill_before_any_commit_loses_no_reading(url: str, tmp_path: Path) -> None:
    folder = tmp_path / "packs"

    def with_store(work: Callable[[Database], object]) -> Callable[[], None]:
        def done() -> None:
            db = Database.open(url, migrate=False)
            work(db)
            db.close()

        return done

    def looked(look: Callable[[Database], object]) -> object:
        db = Database.open(url, migrate=False)
        try:
            return look(db)
        finally:
            db.close()

    before, hours = looked(support.everything), looked(support.hours)
    archive = with_store(lambda db: archive_readings(db, "mill", folder, NOW, CRITERIA, OPTIONS))
    assert killed_before_commit(archive, 0)
    assert looked(support.everything) == before, "killed before the pack had its name"
    for number in (1, 2, 3, 6):  # what was committed stands, and is gone on from
        if not killed_before_commit(archive, number):
            break
        assert looked(support.hours) == hours
    assert number >= 3
    (pack,) = folder.glob("*.zip")
    restore = with_store(lambda db: restore_readings(db, pack))
    for number in (1, 3, 4, 20):
        if not killed_before_commit(restore, number):
            break
    assert number >= 4
    looked(lambda db: rollups.renew_all(db, round(NOW.timestamp() * 1000)))
    assert looked(support.everything) == before
