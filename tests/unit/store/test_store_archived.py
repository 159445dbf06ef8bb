"""Raw readings of a closed job leave for a pack and come back as they were, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import archive_support as support
import pytest
from archive_support import CRITERIA, NOW, OPTIONS
from clocks import SetClock

from monitord.alerts.lifecycle.rule_files import rule_book
from monitord.errors import JobFileError, StoreError
from monitord.model.site.spots import Spot, SpotKind
from monitord.pipeline import assess_pending
from monitord.report import readings_archive
from monitord.report.archive import PackFault
from monitord.report.collect import collect
from monitord.report.readings_archive import archive_readings, due, restore_readings
from monitord.report.verify import verify
from monitord.store import jobs, pending_jobs
from monitord.store.db.database import Database
from monitord.store.last_seen import probes_seen
from monitord.store.series import archived, rollups
from monitord.store.series.readings import insert_batch, load_hourly, load_job_record


@pytest.fixture
def db(monkeypatch: pytest.MonkeyPatch) -> Iterator[Database]:
    monkeypatch.setattr(archived, "AT_ONCE", 50)
    database = Database.open("sqlite://")
    support.fill(database)
    yield database
    database.close()


def archive(db: Database, folder: Path) -> Path:
    return folder / archive_readings(db, "mill", folder, NOW, CRITERIA, OPTIONS).file


def test_what_leaves_comes_back_as_it_was(db: Database, tmp_path: Path) -> None:
    before, hours = support.everything(db), support.hours(db)
    with db.read() as conn:
        seen = probes_seen(conn)
        of_placement = load_hourly(conn, support.closed_job().probes[2], NOW)
    pack = archive(db, tmp_path)
    assert not isinstance(verify(pack.read_bytes()), PackFault)

    left = support.stored(db)
    placements = support.closed_job().probes
    edges = {
        (p.probe, edge.replace(minute=0)) for p in placements for edge in (p.from_time, p.to_time) if edge is not None
    }
    kept = [r for r in support.readings() if (r.probe, r.time.replace(minute=0, second=0, microsecond=0)) in edges]
    outside = [r for r in support.readings() if not support.START <= r.time < support.END]
    assert len(left) == len({(r.probe, r.time) for r in (*kept, *outside)})
    assert len(left) < 0.2 * len(before["reading"])
    assert support.hours(db) == hours
    with db.read() as conn:
        assert probes_seen(conn) == seen
        again = load_hourly(conn, placements[2], NOW)
        assert again.relative_humidity_pct.tolist() == of_placement.relative_humidity_pct.tolist()

    assert restore_readings(db, pack) == ("mill", len(before["reading"]) - len(outside))
    rollups.renew_all(db, round(NOW.timestamp() * 1000))
    assert support.everything(db) == before
    assert restore_readings(db, pack) == ("mill", 0)


def test_what_needs_the_readings_is_refused_and_names_the_pack(db: Database, tmp_path: Path) -> None:
    pack = archive(db, tmp_path)
    job = support.closed_job()
    spot = Spot(location_id="hall", at=support.START, kind=SpotKind.SURFACE_TEMPERATURE, value=12.0)
    with db.write() as conn:
        for asked in (
            lambda: load_job_record(conn, job, NOW),
            lambda: collect(conn, job, NOW, CRITERIA, OPTIONS),
            lambda: jobs.add_spot(conn, "mill", spot),
            lambda: jobs.delete_job(conn, "mill"),
        ):
            with pytest.raises(StoreError, match=f"archived.*{pack.name}.*restore-readings"):
                asked()
        assert jobs.apply_job(conn, job) == "unchanged"
        pending_jobs.mark_job(conn, "mill")
        assert pending_jobs.marked_jobs(conn) == []
        archived.forget(conn, "mill")
        assert [name for name, _ in pending_jobs.marked_jobs(conn)] == ["mill"]


def test_a_reading_that_comes_late_is_kept_and_counts_once_the_others_are_back(db: Database, tmp_path: Path) -> None:
    pack, hours = archive(db, tmp_path), support.hours(db)
    late = support.readings()[100].model_copy(update={"received_at": NOW, "temperature_c": 30.0})
    late = late.model_copy(update={"time": late.time + timedelta(seconds=61)})
    with db.write() as conn:
        insert_batch(conn, [late])
    rollups.renew_all(db, round(NOW.timestamp() * 1000))
    assert support.hours(db) == hours
    restore_readings(db, pack)
    rollups.renew_all(db, round(NOW.timestamp() * 1000))
    changed = [(a, b) for a, b in zip(support.hours(db), hours, strict=True) if a != b]
    assert [(a[2] - b[2], a[7]) for a, b in changed] == [(1, 30.0)]


def test_only_a_closed_job_is_archived_and_only_its_own_pack_comes_back(db: Database, tmp_path: Path) -> None:
    with db.write() as conn:
        open_job = support.closed_job("open").model_copy(update={"end": None, "probes": ()})
        jobs.apply_job(conn, open_job)
    with pytest.raises(JobFileError, match=r"job open: only .* closed"):
        archive_readings(db, "open", tmp_path, NOW, CRITERIA, OPTIONS)
    assert due(db, NOW, timedelta(days=39)) == ["mill"]
    assert due(db, NOW, timedelta(days=41)) == []
    pack = archive(db, tmp_path)
    assert due(db, NOW, timedelta(days=39)) == []
    before = support.stored(db)
    altered = bytearray(pack.read_bytes())
    altered[len(altered) // 2] ^= 1
    (tmp_path / "altered.zip").write_bytes(altered)
    with pytest.raises(StoreError, match="refused"):
        restore_readings(db, tmp_path / "altered.zip")
    with db.write() as conn:
        conn.execute(archived.archived_readings.update().values(sha256="0" * 64))
    with pytest.raises(StoreError, match="not the pack"):
        restore_readings(db, pack)
    assert support.stored(db) == before


def test_readings_that_a_pack_would_not_give_back_as_they_are_are_not_taken_out(db: Database, tmp_path: Path) -> None:
    with db.read() as conn:
        before = archived.stored_readings(conn, support.closed_job(), NOW)
    whole = readings_archive._more_text
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            readings_archive, "_more_text", lambda rows: whole([row._replace(battery_pct=None) for row in rows])
        )
        with pytest.raises(StoreError, match="does not hold the readings as stored"):
            archive(db, tmp_path)
    with db.read() as conn:
        assert archived.stored_readings(conn, support.closed_job(), NOW) == before
        assert archived.all_archived(conn) == []


def test_the_assessment_after_it_is_the_one_before_it(db: Database, tmp_path: Path) -> None:
    def assessed() -> tuple[str, ...]:
        return assess_pending(db, SetClock(NOW), rule_book(None), OPTIONS).assessed

    assert assessed() == ("mill",)
    before = support.everything(db)
    pack = archive(db, tmp_path)
    with db.write() as conn:
        pending_jobs.mark_job(conn, "mill")
    assert assessed() == ()
    restore_readings(db, pack)
    assert assessed() == ("mill",)
    assert support.everything(db) == before
