"""Migrations on a real file, both ways, with data in every table of the store."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from databases import migrate, upgrade
from sqlalchemy import Connection, inspect, select, text

import monitord.store.db.access_tables
import monitord.store.db.alert_tables
import monitord.store.db.archive_tables
import monitord.store.db.mirror_tables
import monitord.store.db.note_tables
import monitord.store.db.signoff_tables
import monitord.store.db.work_tables  # noqa: F401  (their tables join the metadata)
from monitord.errors import StoreError
from monitord.model.assessments import Forecast, JobAssessment
from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.outdoor_forecast import ForecastHour, OutdoorForecastDocument
from monitord.model.readings import Reading
from monitord.store import alerts, assessments, jobs, outdoor_forecasts, quarantine
from monitord.store.db import schema
from monitord.store.db.database import Database
from monitord.store.db.scaled import encoder
from monitord.store.db.tables import metadata, reading
from monitord.store.db.times import HOUR_MS, to_ms
from monitord.store.last_seen import probes_seen
from monitord.store.series.readings import insert_batch, load_job_record

T0 = datetime(2025, 3, 1, tzinfo=UTC)
JOB = JobFile(
    job="J1",
    start=T0,
    locations=(Location(id="void", kind=LocationKind.SUBFLOOR_VOID),),
    probes=(Placement(probe="p1", location_id="void", from_time=T0),),
)


def url(path: Path) -> str:
    return f"sqlite:///{path}"


def raw_rows(path: Path, tables: list[str]) -> dict[str, list[Any]]:
    with sqlite3.connect(path) as connection:
        rows = {table: connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall() for table in tables}
    connection.close()
    return rows


def fill(database: Database) -> None:
    times = [T0 + timedelta(minutes=10 * k) for k in range(30)]
    readings = [Reading(probe="p1", time=t, temperature_c=9.5, relative_humidity_pct=80, received_at=t) for t in times]
    with database.write() as conn:
        jobs.apply_job(conn, JOB)
        insert_batch(conn, [*readings, readings[0].model_copy(update={"temperature_c": 11.0})])
        empty = JobAssessment(job="J1", as_of=T0, last_reading_at=None, locations=(), findings=())
        assessments.save_assessment(conn, empty)
        later = {"low": T0, "middle": T0, "high": T0}
        forecast = Forecast(made_at=T0, never=False, high_never=False, **later)
        assessments.add_forecasts(conn, "J1", "void", forecast)
        hours = tuple(ForecastHour(time=T0 + timedelta(hours=h), temperature_c=4, dew_point_c=1) for h in range(3))
        outdoor_forecasts.keep(conn, "J1", OutdoorForecastDocument(issued_at=T0, hours=hours), T0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "monitord.db"


@pytest.fixture(autouse=True)
def _migrated_every_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "upgrade", migrate)


def test_the_copy_that_other_tests_begin_with_is_a_migrated_database(monkeypatch: pytest.MonkeyPatch) -> None:
    def made() -> list[Any]:
        database = Database.open("sqlite://")
        with database.read() as conn:
            parts = conn.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY 1, 2").all()
            found = [*parts, schema.current_revision(conn)]
        database.close()
        return found

    migrated = made()
    monkeypatch.setattr(schema, "upgrade", upgrade)
    assert made() == migrated


def test_the_newest_schema_is_what_the_tables_say(path: Path) -> None:
    database = Database.open(url(path))
    with database.read() as conn:
        context = MigrationContext.configure(conn, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, metadata) == []
        assert schema.current_revision(conn) == schema.known_revisions()[-1]
    database.close()


def test_revisions_form_one_line_from_the_first() -> None:
    revisions = schema.known_revisions()
    assert revisions[0] == "0001"
    assert len(set(revisions)) == len(revisions)


REFORMED = frozenset({"reading", "hourly", "touched_hour", "heard", "probe_name", "gateway_name"})
"""Tables whose rows some revision writes in another form; what is read out of them stays the same."""


def test_every_step_up_and_down_keeps_the_data_of_the_tables_that_stay(path: Path) -> None:
    database = Database.open(url(path))
    fill(database)
    tables = [table.name for table in metadata.sorted_tables if table.name not in REFORMED]
    revisions = schema.known_revisions()
    full, known = raw_rows(path, tables), record(database)
    for revision in reversed(revisions[:-1]):
        with database.write() as conn:
            schema.downgrade(conn, revision)
            staying = [name for name in inspect(conn).get_table_names() if name in tables]
        assert _without_reasons(raw_rows(path, staying)) == {name: full[name] for name in staying}
    assert {"job", "placement", "mark", "quarantine"} <= set(staying)
    for revision in revisions[1:]:
        with database.write() as conn:
            schema.upgrade(conn, revision)
    assert {name: raw_rows(path, [name])[name] for name in staying} == {name: full[name] for name in staying}
    assert record(database) == known
    with database.read() as conn:
        assert len(load_job_record(conn, JOB, T0 + timedelta(days=1)).placements[0].recent) == 30
        assert len(quarantine.list_held(conn)) == 1
    database.close()


def record(database: Database) -> list[list[float]]:
    """The hours and the readings of the job's stay, as an assessment reads them."""
    with database.read() as conn:
        known = load_job_record(conn, JOB, T0 + timedelta(days=1)).placements[0]
        probes = probes_seen(conn)
    assert [(probe.probe, probe.last_seen_at) for probe in probes] == [("p1", T0 + timedelta(minutes=290))]
    hours, readings = known.hourly, known.recent
    return [
        getattr(part, field.name).tolist()
        for part in (hours, readings)
        for field in dataclasses.fields(part)
        if not np.isnan(getattr(part, field.name)).any()
    ]


OLD_HOURS = [
    ("p1", to_ms(T0), 6, 9.5, 80.0, None, 9.5, 9.5, 80.0, 80.0, to_ms(T0 + timedelta(minutes=50)), 6),
    ("p1", to_ms(T0 + timedelta(hours=1)), 2, 9.5, 80.0, None, 9.5, 9.5, 80.0, 80.0, 0, 6),
]
"""An hour that is rolled up, and one that lags behind its readings, as revision 0008 kept them."""


AWKWARD = [18.2, 0.1 + 0.2, -0.005, 1820.0, 21474836.47, 21474836.48, 1e300, 5e-324, 17.005, -40.0, 0.0]
"""Hundredths, and what is none; also whole numbers that must not be taken for so many hundredths."""


def test_names_and_doubles_become_numbers_and_back_to_the_last_bit(path: Path) -> None:
    database = Database.open(url(path))
    with database.write() as conn:
        schema.downgrade(conn, "0011")
        for place, value in enumerate(AWKWARD):
            row = {"t": place * 1000, "v": value, "g": ["g1", None][place % 2], "r": place * 1000 + 250}
            conn.execute(
                text(
                    "INSERT INTO reading (probe, time_ms, temperature_c, relative_humidity_pct, rssi_dbm, gateway, "
                    "received_ms) VALUES ('p1', :t, :v, :v, :v, :g, :r)"
                ),
                row,
            )
        before = conn.execute(text("SELECT * FROM reading")).all()
        schema.upgrade(conn)
        kinds = conn.execute(text("SELECT typeof(temperature_c) FROM reading ORDER BY time_ms")).scalars().all()
        read = conn.execute(select(reading.c.temperature_c).order_by(reading.c.time_ms)).scalars().all()
        schema.downgrade(conn, "0011")
        after = conn.execute(text("SELECT * FROM reading")).all()
    assert read == AWKWARD
    assert [kind == "integer" for kind in kinds] == [encoder(100)(value) != value or not value for value in AWKWARD]
    assert sorted(after, key=lambda row: row.time_ms) == [tuple(row) for row in before]
    database.close()


def test_hours_that_lagged_in_an_older_schema_are_rolled_up_anew(path: Path) -> None:
    database = Database.open(url(path))
    fill(database)
    known = record(database)
    with database.write() as conn:
        schema.downgrade(conn, "0008")
        lagging = text("SELECT hour_ms, count, stored FROM hourly ORDER BY hour_ms")
        assert [row[2] for row in conn.execute(lagging)] == [6] * 5, "an older program reads all hours from readings"
        conn.execute(text("DELETE FROM hourly"))
        for row in OLD_HOURS:
            values = ", ".join("NULL" if value is None else repr(value) for value in row)
            conn.execute(text(f"INSERT INTO hourly VALUES ({values})"))
        schema.upgrade(conn)
        touched = conn.execute(text("SELECT hour FROM touched_hour")).scalars().all()
        assert touched == [OLD_HOURS[1][1] // HOUR_MS]
    assert [row[:2] for row in record(database)] == [row[:2] for row in known]
    database.close()


def _without_reasons(rows: dict[str, list[Any]]) -> dict[str, list[Any]]:
    """Rows whose forecasts lack the sentence that revisions before 0006 kept in them."""
    kept = rows.get("forecast", [])
    return rows | ({"forecast": [(*key, text.replace(',"reason":""', "")) for *key, text in kept]} if kept else {})


OLD_ALERT = {
    "fingerprint": "f1", "episode": 1, "job": "J1", "kind": "probe_fault", "location": "void", "probe": "p1",
    "severity": "watch", "status": "open", "opened_at": "2025-03-01T00:00:00Z", "closing_reason": None,
    "finding": {
        "kind": "probe_fault", "location": "void", "probe": "p1", "measured_at": "2025-03-01T00:00:00Z", "value": 0.6,
        "unit": "confidence", "confidence": 1.0, "summary": "Probe p1: spikes.", "why": "It.", "look_first": "It.",
    },
}  # fmt: skip
"""An alert as revision 0005 kept it."""


@pytest.mark.parametrize(
    ("value", "truth", "excluded"), [(0.6, "true", False), (1.0, "true", True), (0.0, "false", None)]
)
def test_a_stored_finding_gets_its_truth_and_on_the_way_back_its_number(
    path: Path, value: float, truth: str, excluded: bool | None
) -> None:
    database = Database.open(url(path))
    old = OLD_ALERT | {"finding": OLD_ALERT["finding"] | {"value": value}}  # type: ignore[operator]
    with database.write() as conn:
        schema.downgrade(conn, "0005")
        conn.execute(
            text("INSERT INTO alert VALUES ('f1', 1, 'J1', 'open', 0, NULL, 1, 0, :document)"),
            {"document": json.dumps(old)},
        )
        schema.upgrade(conn, "0006")
    with database.read() as conn:
        (alert,) = alerts.open_alerts(conn)
    assert (alert.finding.truth, alert.finding.value) == (truth, None)
    assert alert.finding.facts.excluded is excluded
    assert alert.opening == alert.worst == alert.finding
    with database.write() as conn:
        alerts.save_alerts(conn, [alert])
        schema.downgrade(conn, "0005")
        back = json.loads(conn.execute(text("SELECT document FROM alert")).scalar_one())
    assert (back["finding"]["value"], back["finding"]["unit"]) == (value, "confidence")
    assert not {"opening", "worst", "ending", "ended_by"} & set(back)
    assert not {"truth", "facts"} & set(back["finding"])
    database.close()


def test_down_to_nothing_and_up_again_is_a_new_database(path: Path) -> None:
    database = Database.open(url(path))
    fill(database)
    with database.write() as conn:
        schema.downgrade(conn, "base")
        assert set(inspect(conn).get_table_names()) <= {"alembic_version"}
        triggers = conn.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all()
        assert triggers == []
    database.close()
    database = Database.open(url(path))
    fill(database)
    database.close()


def test_a_database_of_the_first_schema_is_migrated_at_start_with_its_data(path: Path) -> None:
    database = Database.open(url(path))
    fill(database)
    with database.write() as conn:
        schema.downgrade(conn, schema.known_revisions()[0])
    database.close()
    database = Database.open(url(path))
    with database.read() as conn:
        assert schema.current_revision(conn) == schema.known_revisions()[-1]
        assert jobs.get_job(conn, "J1") == JOB
    database.close()


def test_without_leave_to_migrate_an_old_schema_is_refused(path: Path) -> None:
    database = Database.open(url(path))
    with database.write() as conn:
        schema.downgrade(conn, schema.known_revisions()[0])
    database.close()
    with pytest.raises(StoreError, match=r"schema 0001, this program works with .*Stop all that works with it"):
        Database.open(url(path), migrate=False)


def test_an_empty_database_is_refused_without_leave_to_migrate(path: Path) -> None:
    with pytest.raises(StoreError, match="schema none"):
        Database.open(url(path), migrate=False)


def test_a_current_database_opens_without_leave_to_migrate(path: Path) -> None:
    Database.open(url(path)).close()
    Database.open(url(path), migrate=False).close()


@pytest.mark.parametrize("migrate", [True, False])
def test_a_newer_programs_database_is_refused_and_left_alone(path: Path, migrate: bool) -> None:
    Database.open(url(path)).close()
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(StoreError, match=r"schema 9999.*newer monitord has written it.*restore the backup"):
        Database.open(url(path), migrate=migrate)
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("9999",)]
    connection.close()


def test_another_programs_database_is_refused_and_left_alone(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE invoices (id INTEGER)")
    connection.close()
    with pytest.raises(StoreError, match=r"not monitord's \(invoices\).*a database of its own"):
        Database.open(url(path))
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("invoices",)]
    connection.close()


def test_a_migration_that_fails_leaves_the_old_schema_whole(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The schema is changed inside one transaction; SQLite takes even a created table back."""

    def out_of_luck(conn: Connection, revision: str) -> None:
        schema.command.upgrade(schema._config(conn), revision)
        conn.execute(text("INSERT INTO heard (probe_id) VALUES (1)"))

    monkeypatch.setattr(schema, "upgrade", lambda conn: out_of_luck(conn, "head"))
    with pytest.raises(StoreError, match="NOT NULL"):
        Database.open(url(path))
    with sqlite3.connect(path) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    connection.close()
    assert names == set()
