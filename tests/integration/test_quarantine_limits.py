"""Quarantine stays within its bounds: by age, by bytes for each gateway; and it can be emptied."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitord.cli import main
from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.quarantine import release
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.model.config.broker import QuarantineSettings
from monitord.store import quarantine
from monitord.store.db.database import Database
from monitord.store.maintenance.quarantine_limits import KEPT_BYTES, ROW_BYTES, gateway_of, trim

NOW = datetime(2025, 3, 1, 10, tzinfo=UTC)
AT_ONCE = 4
LIMITS = QuarantineSettings(max_mb_per_gateway=1, max_age_days=30)


@pytest.fixture
def db(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Database]:
    url = f"sqlite:///{tmp_path}/m.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", url)
    database = Database.open(url)
    yield database
    database.close()


def held(db: Database) -> list[quarantine.Held]:
    with db.read() as conn:
        return quarantine.list_held(conn)


def held_bytes(db: Database, gateway: str) -> int:
    return sum(len(h.payload) + ROW_BYTES for h in held(db) if gateway_of(h.topic) == gateway)


def flood(writer: BatchWriter, gateway: str, count: int, size: int) -> None:
    topic = f"monitord/{gateway}/p/reading"
    for start in range(0, count, AT_ONCE):
        payloads = [(i, f"<{i}>".encode().ljust(size, b"x")) for i in range(start, min(start + AT_ONCE, count))]
        writer.commit([IncomingMessage(topic, payload, NOW + timedelta(seconds=i)) for i, payload in payloads])


@pytest.mark.parametrize(("count", "size"), [(60, 100_000), (3000, 20)])
def test_a_gateway_that_floods_stays_within_its_bytes_and_takes_nothing_from_others(
    db: Database, count: int, size: int
) -> None:
    writer = BatchWriter(db, TopicRules(), limits=LIMITS)
    flood(writer, "quiet", 5, 1000)
    flood(writer, "loud", count, size)
    assert held_bytes(db, "monitord/loud") <= LIMITS.max_bytes * 9 / 8 + AT_ONCE * (size + ROW_BYTES)
    assert held_bytes(db, "monitord/loud") > LIMITS.max_bytes / 2, "not more is thrown away than must be"
    assert [len(h.payload) for h in held(db) if "quiet" in h.topic] == [1000] * 5
    newest = held(db)[0]
    assert newest.payload.startswith(f"<{count - 1}>".encode()), "the newest is whole"
    assert len(newest.payload) == size


def test_what_is_cut_keeps_length_and_digest_is_not_released_and_comes_back_whole(db: Database) -> None:
    writer = BatchWriter(db, TopicRules(), limits=LIMITS)
    flood(writer, "loud", 12, 100_000)
    payload = b"<0>".ljust(100_000, b"x")
    oldest = held(db)[-1]
    assert (oldest.payload, oldest.code) == (payload[:KEPT_BYTES], "cut:not_json")
    assert f"of 100,000 bytes, SHA-256 {hashlib.sha256(payload).hexdigest()}" in oldest.reason
    still = release(db, TopicRules(), SystemClock(), [oldest.id]).still_held
    assert "only its beginning was kept" in still[0].reason
    writer.commit([IncomingMessage(oldest.topic, payload, NOW + timedelta(hours=1))])
    again = next(h for h in held(db) if h.id == oldest.id)
    assert (again.payload, again.code, again.times) == (payload, "not_json", 2)


def test_what_is_old_goes_and_what_came_again_stays(db: Database) -> None:
    with db.write() as conn:
        for name, days in (("old", 31), ("young", 29), ("again", 40), ("again", 1)):
            quarantine.put(conn, f"a/{name}", b"x", NOW - timedelta(days=days), "no_rule", "no rule")
    with db.write() as conn:
        assert trim(conn, NOW, LIMITS.max_age, LIMITS.max_bytes) == (0, 1)
    assert sorted(h.topic for h in held(db)) == ["a/again", "a/young"]


def test_quarantine_is_emptied_by_what_is_named(db: Database, capsys: pytest.CaptureFixture[str]) -> None:
    with db.write() as conn:
        for i, code in enumerate(("no_rule", "no_rule", "not_json", "bad_record")):
            quarantine.put(conn, f"a/{i}", b"x", NOW + timedelta(days=i), code, "why")
    assert main(["quarantine", "drop"]) == 1
    assert "Give ids, --code, --before or --all" in capsys.readouterr().err
    first = held(db)[-1].id
    for words, left in (
        ([str(first), "--code", "not_json"], 4),
        ([str(first)], 3),
        (["--code", "no_rule"], 2),
        (["--before", "2025-03-04T00:00:00Z"], 1),
        (["--all"], 0),
    ):
        assert main(["quarantine", "drop", *words]) == 0
        assert len(held(db)) == left
    assert "dropped 1" in capsys.readouterr().out
