"""Backup while the daemon writes, the way back with the same verdicts, damage that is found, one daemon only."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import archive_support
import httpx
import pytest
from brokers import Mosquitto, Publisher, left_in_session, wait_until
from clocks import SetClock
from pydantic import ValidationError
from sqlalchemy import text

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.cli import main
from monitord.daemon.maintenance import Backups, IntegrityWatch, archive_ended
from monitord.daemon.wiring import Daemon
from monitord.errors import BrokerError, StoreError
from monitord.ingest.mqtt import session
from monitord.ingest.mqtt.session import make_sessions
from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.settings import ArchiveSettings, BackupSettings, Settings
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.pipeline import assess_pending, mark_running
from monitord.store import alerts as stored_alerts
from monitord.store import jobs
from monitord.store.assessments import latest_assessment
from monitord.store.db import schema
from monitord.store.db.database import Database
from monitord.store.maintenance.backup import backups_in, make_backup, restore_backup
from monitord.store.maintenance.one_daemon import DaemonLock
from monitord.store.series.archived import all_archived
from monitord.store.series.readings import insert_batch

WAITING = 250
"""Messages, each in a commit of its own, so that a look or two does not see the last of them."""
START = datetime.fromisoformat("2025-01-10T00:00:00+00:00")
LATER = START + timedelta(hours=30)
HOUSE = JobFile.model_validate(
    {
        "job": "mill-3",
        "start": START,
        "locations": [{"id": "room", "kind": "room_air", "f_rsi": 0.6}, {"id": "yard", "kind": "outdoor_air"}],
        "probes": [
            {"id": "a1", "location_id": "room", "from": START, "interval_s": 600},
            {"id": "b1", "location_id": "yard", "from": START, "interval_s": 600},
        ],
    }
)


def at_step(i: int) -> list[Reading]:
    """A warm humid room against frost outside: its surface is below the dew point."""
    time, sway = START + i * timedelta(minutes=10), (i * 7 % 11) / 11
    values = (("a1", 22.0 + 0.1 * sway, 70.0 + 0.4 * sway), ("b1", -5.0 + 0.2 * sway, 85.0 - 0.6 * sway))
    return [
        Reading(probe=p, time=time, temperature_c=t, relative_humidity_pct=rh, received_at=time) for p, t, rh in values
    ]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "at home" / "m #1.sqlite3"


@pytest.fixture
def db(file: Path) -> Iterator[Database]:
    file.parent.mkdir()
    database = Database.open(f"sqlite:///{file}")
    with database.write() as conn:
        jobs.apply_job(conn, HOUSE)
    yield database
    database.close()


def fill(db: Database, steps: range) -> None:
    with db.write() as conn:
        insert_batch(conn, [reading for i in steps for reading in at_step(i)])


def verdict(db: Database, as_of: datetime) -> tuple[JobAssessment, list[Alert]]:
    clock = SetClock(as_of)
    mark_running(db, clock)
    assert not assess_pending(db, clock, default_rule_book(), AnalysisOptions()).failed
    with db.read() as conn:
        found = latest_assessment(conn, "mill-3")
        alerts = stored_alerts.current_alerts(conn, "mill-3")
    assert found is not None
    return found, alerts


def rows(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA quick_check").fetchall() == [("ok",)]
        return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])


def damage(path: Path, share: float = 0.5) -> None:
    """Overwrite the end of the file, as a dying card does."""
    with path.open("r+b") as raw:
        size = path.stat().st_size
        raw.seek(int(size * (1 - share)) // 4096 * 4096)
        raw.write(b"\xa5" * (size - raw.tell()))


def test_a_backup_is_made_while_readings_land_and_shows_one_moment(db: Database, file: Path, tmp_path: Path) -> None:
    fill(db, range(2000))
    stop, written = threading.Event(), [0]

    def go_on() -> None:
        i = 2000
        while not stop.is_set():
            fill(db, range(i, i + 20))
            i += 20
            written[0] += 1

    writer = threading.Thread(target=go_on)
    writer.start()
    try:
        wait_until(lambda: written[0] > 2, "readings land")
        made = make_backup(file, tmp_path / "safe", LATER, keep=3)
        before = written[0]
        wait_until(lambda: written[0] > before, "they go on landing")
    finally:
        stop.set()
        writer.join()
    count = rows(made.path)
    assert count >= 4000
    assert (count - 4000) % 40 == 0, "whole commits only"
    assert [p.name for p in (tmp_path / "safe").iterdir()] == ["monitord-20250111T060000Z.sqlite3"], (
        "one file has it all"
    )
    assert made.path.stat().st_mode & 0o077 == 0, "nobody else may read it"


def test_a_restored_backup_gives_the_same_verdicts(db: Database, file: Path, tmp_path: Path) -> None:
    fill(db, range(1, 150))
    verdict(db, START + timedelta(hours=24))
    made = make_backup(file, tmp_path / "safe", LATER, keep=3)
    original = verdict(db, LATER)
    there_file = tmp_path / "other machine" / "m.sqlite3"
    restore_backup(made.path, there_file, LATER, replace=False)
    there = Database.open(f"sqlite:///{there_file}")
    assert verdict(there, LATER) == original
    there.close()
    assert any(alert.kind == "condensation" for alert in original[1]), "there is something to judge"


def test_a_reading_takes_about_as_much_as_the_settings_say(db: Database, file: Path, tmp_path: Path) -> None:
    """Said in `backup.keep`: 20 probes that report each 10 minutes, 86,400 readings a month, fill about 4 MB."""
    empty = make_backup(file, tmp_path / "empty", LATER, keep=1).size_bytes
    fill(db, range(1, 8641))
    full = make_backup(file, tmp_path / "full", LATER, keep=1).size_bytes
    per_reading = (full - empty) / (2 * 8640)
    assert 30 < per_reading < 60  # bytes; 45 when this was written


def test_backups_are_due_by_the_age_of_the_newest_and_rotate(db: Database, file: Path, tmp_path: Path) -> None:
    folder, clock = tmp_path / "safe", SetClock(START)
    folder.mkdir()
    (folder / "monitord-of-anna.sqlite3").write_text("hers")
    settings = BackupSettings(folder=folder, every_h=24, keep=2)
    for hours in (0, 1, 23.9, 24, 30, 49):
        clock.time = START + timedelta(hours=hours)
        Backups(file, settings, clock).make_if_due()  # a new one each time, as after a restart
    assert [b.made_at - START for b in backups_in(folder)] == [timedelta(hours=24), timedelta(hours=49)]
    assert (folder / "monitord-of-anna.sqlite3").read_text() == "hers"


def test_a_damaged_database_is_told_with_the_remedy_and_costs_no_sound_backup(
    db: Database, file: Path, tmp_path: Path
) -> None:
    fill(db, range(1, 800))
    watch = IntegrityWatch(db)
    watch.look()
    assert watch.problem is None
    sound = make_backup(file, tmp_path / "safe", START, keep=1)
    db.close()
    damage(file)
    watch.look()
    assert watch.problem is not None
    assert "damaged" in watch.problem
    assert "`monitord restore FILE --replace`" in watch.problem
    with pytest.raises(StoreError):
        make_backup(file, tmp_path / "safe", LATER, keep=1)
    assert list((tmp_path / "safe").iterdir()) == [sound.path]
    with pytest.raises(StoreError, match=r"there is a database already.*--replace"):
        restore_backup(sound.path, file, LATER, replace=False)
    done = restore_backup(sound.path, file, LATER, replace=True)
    assert rows(file) == 2 * 799
    assert done.kept_as is not None
    assert done.kept_as.exists()


def test_a_daemon_backs_up_at_its_start_and_says_in_readyz_that_its_database_is_damaged(
    db: Database, file: Path, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    fill(db, range(1, 800))
    db.close()
    settings = Settings.model_validate(
        {
            "database": {"url": f"sqlite:///{file}"},
            "broker": mosquitto.settings(),
            "web": {"port": 0},
            "backup": {"folder": tmp_path / "safe"},
        }
    )
    daemon = Daemon(settings)
    daemon.start()
    wait_until(lambda: len(backups_in(tmp_path / "safe")) == 1, "a backup is made")
    assert httpx.get(f"{daemon.url}readyz", timeout=30).status_code == 200
    assert daemon.stop()
    damage(file, 0.1)  # some readings; with tables that every start reads it ends, with the same remedy
    daemon = Daemon(settings)
    daemon.start()
    try:
        wait_until(lambda: "damaged" in httpx.get(f"{daemon.url}readyz", timeout=30).text, "the damage is told")
        answer = httpx.get(f"{daemon.url}readyz", timeout=30)
        assert answer.status_code == 503
        assert "stop the daemon and restore a backup: `monitord restore FILE --replace`" in answer.text
    finally:
        daemon.stop()


def test_what_is_no_sound_backup_is_not_restored(db: Database, file: Path, tmp_path: Path) -> None:
    fill(db, range(1, 800))
    made = make_backup(file, tmp_path / "safe", START, keep=1).path
    newer = tmp_path / "newer.sqlite3"
    newer.write_bytes(made.read_bytes())
    with closing(sqlite3.connect(newer)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    damage(made)
    (tmp_path / "letter.txt").write_text("Dear Anna, " * 400)
    target = tmp_path / "t.sqlite3"
    for bad, says in ((newer, "schema 9999"), (made, "damaged"), (tmp_path / "letter.txt", "damaged")):
        with pytest.raises(StoreError, match=says):
            restore_backup(bad, target, LATER, replace=True)
        assert not target.exists()


def test_a_second_daemon_is_told_of_the_first_and_a_crash_keeps_nobody_out(
    file: Path, db: Database, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = Settings.model_validate(
        {
            "database": {"url": f"sqlite:///{file}"},
            "broker": mosquitto.settings(),
            "web": {"port": 0},
        }
    )
    hold = "import sys; from pathlib import Path; from monitord.store.maintenance.one_daemon import DaemonLock\n"
    hold += "DaemonLock(Path(sys.argv[1])).take(); print('held', flush=True); sys.stdin.read()"
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    with subprocess.Popen([sys.executable, "-c", hold, str(file)], **pipes) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == b"held\n"
        with pytest.raises(StoreError, match=rf"another monitord \(process {first.pid}\) works with this database"):
            Daemon(settings).start()
        monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///{file}")
        assert main(["restore", str(file), "--replace"]) == 1
        assert "Stop that one first" in capsys.readouterr().err
        os.kill(first.pid, signal.SIGKILL)
    with DaemonLock(file):
        pass
    daemon = Daemon(settings)
    daemon.start()
    with pytest.raises(StoreError, match=f"process {os.getpid()}"):
        Daemon(settings).start()
    assert daemon.failure() is None, "the first goes on"
    assert daemon.stop()


def test_the_session_is_made_before_the_first_start_and_keeps_what_comes(mosquitto: Mosquitto, tmp_path: Path) -> None:
    settings = Settings.model_validate(
        {"database": {"url": f"sqlite:///{tmp_path}/m.sqlite3"}, "broker": mosquitto.settings()}
    )
    assert [made.was_there for made in make_sessions(settings)] == [False]
    with Publisher(mosquitto.port) as gateway:
        gateway.publish([("monitord/gw1/p1/reading", f"{i}".encode()) for i in range(7)])
    (again,) = make_sessions(settings)
    assert again.was_there
    assert "monitord/#" in again.filters
    assert left_in_session(mosquitto.settings()) == 7, "to make it again acknowledges nothing"


def message(i: int) -> tuple[str, bytes]:
    time = START + timedelta(minutes=i)
    return "monitord/gw1/p9/reading", (
        f'{{"time":"{time.isoformat()}","temperature_c":15.0,"relative_humidity_pct":60.0}}'.encode()
    )


@pytest.mark.parametrize("name", [None, "1"])
def test_a_session_is_given_up_once_what_waits_in_it_is_stored(
    name: str | None,
    mosquitto: Mosquitto,
    db: Database,
    file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(session, "_QUIET_S", 0.3)
    config = file.with_name("monitord.toml")
    config.write_text(
        f'[database]\nurl = "sqlite:///{file}"\n[broker]\nport = {mosquitto.port}\nclient_id = "leaver"\n'
    )
    words = ["--config", str(config), "broker"]
    named = [] if name is None else ["--name", name]
    settings = Settings.model_validate(
        {"database": {"url": f"sqlite:///{file}"}, "broker": {"port": mosquitto.port, "client_id": "leaver"}}
    )
    make_sessions(settings, name)
    with Publisher(mosquitto.port) as gateway:
        gateway.publish([message(i) for i in range(7)])
        assert main([*words, "leave", *named]) == 0
        assert "7 messages waited there, and are stored" in capsys.readouterr().out
        gateway.publish([message(9)])
    with db.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == 7
    assert [made.was_there for made in make_sessions(settings, name)] == [False]


def test_a_session_in_which_something_is_left_stays(
    mosquitto: Mosquitto, db: Database, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker sends two ahead, and the rest as these are acknowledged: we say goodbye in the midst of that."""
    broker = mosquitto.settings(client_id="leaver-2", receive_maximum=2, batch_size=1)
    settings = Settings.model_validate({"database": {"url": f"sqlite:///{file}"}, "broker": broker})
    make_sessions(settings)
    with Publisher(mosquitto.port) as gateway:
        gateway.publish([message(i) for i in range(WAITING)])
    with monkeypatch.context() as patch:
        patch.setattr(session, "_QUIET_S", 0.0)
        with pytest.raises(BrokerError, match="something is left in a session"):
            session.leave_sessions(settings, db)
        patch.setattr(session, "_QUIET_S", 0.3)
    with db.read() as conn:
        stored = conn.execute(text("SELECT count(*) FROM reading")).scalar_one()
    assert session.leave_sessions(settings, db) == WAITING - stored > 0
    with db.read() as conn:
        assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == WAITING


def test_an_upgrade_and_the_way_back_by_the_backup_of_before(db: Database, file: Path, tmp_path: Path) -> None:
    """As RELEASE.md has it: a backup by the former version, the newer one on its database, then the backup put back.

    The former version's database is made by taking the schema down, since each migration is tested both ways.
    """
    fill(db, range(1, 10))
    former = schema.known_revisions()[-2]
    with db.write() as conn:
        schema.downgrade(conn, former)
    db.close()
    made = make_backup(file, tmp_path / "safe", LATER, keep=3).path

    upgraded = Database.open(f"sqlite:///{file}")
    fill(upgraded, range(10, 20))
    with upgraded.read() as conn:
        assert schema.current_revision(conn) == schema.known_revisions()[-1]
    upgraded.close()
    assert rows(file) == 38

    restore_backup(made, file, LATER, replace=True)
    assert rows(file) == 18
    with pytest.raises(StoreError, match=f"at schema {former}, this program works with"):
        Database.open(f"sqlite:///{file}", migrate=False)
    again = Database.open(f"sqlite:///{file}")
    fill(again, range(10, 20))
    again.close()
    assert rows(file) == 38, "and the way up once more"


def test_the_commands_do_it(
    db: Database,
    file: Path,
    tmp_path: Path,
    mosquitto: Mosquitto,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    fill(db, range(1, 10))
    monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///{file}")
    monkeypatch.setenv("MONITORD_BROKER__PORT", str(mosquitto.port))
    assert main(["backup"]) == 1
    assert "nothing says where to" in capsys.readouterr().err
    assert main(["backup", "--to", str(tmp_path / "safe")]) == 0
    made = backups_in(tmp_path / "safe")[0].path
    assert main(["restore", str(made), "--replace"]) == 0
    assert rows(file) == 18
    assert main(["broker", "session"]) == 0
    assert "it is new" in capsys.readouterr().out


def test_readings_of_jobs_that_ended_long_ago_are_archived_by_the_daemon_where_that_is_asked_for(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with pytest.raises(ValidationError, match="after_days needs folder"):
        ArchiveSettings(after_days=30)
    db = Database.open("sqlite://")
    archive_support.fill(db)
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="no backup could be made"):
        make_backup(tmp_path / "none.sqlite3", tmp_path / "file", archive_support.NOW, 3)
    clock, criteria, options = SetClock(archive_support.NOW), archive_support.CRITERIA, archive_support.OPTIONS
    for days, folder in ((None, tmp_path), (41, tmp_path), (39, tmp_path / "file")):
        archive_ended(db, clock, ArchiveSettings(after_days=days, folder=folder), criteria, options)
    assert "the readings of job mill could not be archived" in caplog.text
    with db.read() as conn:
        assert all_archived(conn) == []
    archive_ended(db, clock, ArchiveSettings(after_days=39, folder=tmp_path / "packs"), criteria, options)
    with db.read() as conn:
        (found,) = all_archived(conn)
    assert found.removed_at == archive_support.NOW
    assert (tmp_path / "packs" / found.file).is_file()
    db.close()
