"""A batch in one commit, and the release of what is held, on a real in-memory database."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from clocks import AcceleratedClock
from sqlalchemy import Connection, func, select
from sqlalchemy.exc import IntegrityError, OperationalError

from monitord.errors import StoreError
from monitord.ingest import writer as writer_module
from monitord.ingest.decoding.records import Half
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.pairing import Memory
from monitord.ingest.quarantine import release
from monitord.ingest.writer import BatchWriter, IncomingMessage, Outcome
from monitord.model.config.broker import TopicRule
from monitord.store.db.database import Database
from monitord.store.db.tables import probe_name, quarantine, reading
from monitord.store.quarantine import Held, list_held
from monitord.store.series.readings import insert_batch, insert_raw, probes_seen

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
LATER = NOW + timedelta(days=2)
CLOCK = AcceleratedClock(LATER, 0.0)
TOPIC = "monitord/attic/p1/reading"
GOOD: dict[str, Any] = {"time": "2025-03-01T10:00:00Z", "temperature_c": 18.2, "relative_humidity_pct": 61.4}
UP = TopicRule.model_validate(
    {
        "pattern": "up/{probe}",
        "format": "mapped-json",
        "mapping": {
            "time_format": "arrival",
            "temperature_c": {"path": "t"},
            "relative_humidity_pct": {"path": "h"},
        },
    }
)


def message(payload: object, topic: str = TOPIC, *, retained: bool = False) -> IncomingMessage:
    return IncomingMessage(
        topic, payload if isinstance(payload, bytes) else json.dumps(payload).encode(), NOW, retained
    )


@pytest.fixture
def db() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def writer(db: Database) -> BatchWriter:
    return BatchWriter(db, TopicRules())


def count(db: Database) -> int:
    with db.read() as conn:
        return conn.execute(select(func.count()).select_from(reading)).scalar_one()


def held(db: Database) -> list[Held]:
    with db.read() as conn:
        return list_held(conn)


def heard(db: Database) -> list[str]:
    with db.read() as conn:
        return [item.probe for item in probes_seen(conn)]


def test_a_batch_of_everything_ends_where_it_belongs(writer: BatchWriter, db: Database) -> None:
    outcome = writer.commit(
        [
            message(GOOD),
            message(GOOD),  # delivered twice
            message({**GOOD, "temperature_c": 99.0}),  # says something else of the same moment
            message([{**GOOD, "time": "2025-03-01T11:00:00Z"}, {**GOOD, "time": "noon"}]),
            message(b"\xff\xfe"),
            message(b""),
            message(b"x", "elsewhere"),
            message(b"online", "monitord/attic/p1/status"),
        ]
    )
    assert outcome == Outcome(inserted=2, repeats=1, conflicts=1, held=3)
    assert count(db) == 2
    assert sorted(item.code for item in held(db)) == ["bad_time", "conflict", "no_rule", "not_json"]


def test_what_is_held_says_where_it_came_from_when_and_why(writer: BatchWriter, db: Database) -> None:
    writer.commit([message(b"\xff\xfe")])
    (item,) = held(db)
    assert (item.topic, item.payload, item.received_at) == (TOPIC, b"\xff\xfe", NOW)
    assert "not JSON" in item.reason


def test_a_retained_replay_is_stored_and_not_heard(writer: BatchWriter, db: Database) -> None:
    writer.commit(
        [
            message([GOOD, {**GOOD, "time": "2025-03-01T09:00:00Z"}], retained=True),
            message(GOOD, "monitord/attic/p2/reading"),
        ]
    )
    assert count(db) == 3
    assert heard(db) == ["p2"]


def failing(error: Exception, when: Any, store: Any = insert_raw) -> Any:
    """`insert_raw` or `insert_batch` as a database has it that refuses some readings."""

    def insert(conn: Connection, readings: Sequence[Any], *retained: Any) -> Any:
        if any(when(item) for item in readings):
            raise error
        return store(conn, readings, *retained)

    return insert


@pytest.mark.parametrize(
    "error",
    [
        IntegrityError("insert", None, Exception("a constraint")),
        OverflowError("Python int too large to convert to SQLite INTEGER"),
        UnicodeEncodeError("utf-8", "\ud800", 0, 1, "surrogates not allowed"),
    ],
)
def test_one_message_that_the_database_can_not_hold_does_not_keep_the_others_out(
    error: Exception, writer: BatchWriter, db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "insert_raw", failing(error, lambda item: item.temperature_c == 13.0))
    batch = [message({**GOOD, "temperature_c": float(t)}, f"monitord/attic/p{t}/reading") for t in range(10, 16)]
    assert writer.commit(batch) == Outcome(inserted=5, held=1)
    (item,) = held(db)
    assert (item.code, item.topic) == ("store_refused", "monitord/attic/p13/reading")


@pytest.mark.parametrize(
    "error", [OperationalError("insert", None, Exception("database is locked")), OSError("disk"), StoreError("away")]
)
def test_a_database_that_is_away_is_told_and_nothing_is_held_for_it(
    error: Exception, writer: BatchWriter, db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(writer_module, "insert_raw", failing(error, lambda _: True))
        with pytest.raises((StoreError, OSError)):
            writer.commit([message(GOOD), message(b"\xff")])
    assert (count(db), held(db)) == (0, [])
    assert writer.commit([message(GOOD), message(b"\xff")]) == Outcome(inserted=1, held=1)


def test_what_is_held_is_released_once_its_rule_is_there(writer: BatchWriter, db: Database) -> None:
    writer.commit([message({"t": 18.2, "h": 61.4}, "up/p1"), message(b"\xff")])
    result = release(db, TopicRules([UP]), CLOCK)
    assert (result.released, result.outcome.inserted) == (1, 1)
    assert [item.topic for item in result.still_held] == [TOPIC]
    assert [item.topic for item in held(db)] == [TOPIC]
    assert heard(db) == ["p1"]


def test_a_released_reading_keeps_the_time_at_which_it_came(writer: BatchWriter, db: Database) -> None:
    writer.commit([message({"t": 18.2, "h": 61.4}, "up/p1")])
    assert len(held(db)) == 1
    release(db, TopicRules([UP]), CLOCK)
    with db.read() as conn:
        row = conn.execute(select(reading)).one()
        released_ms = conn.execute(select(quarantine.c.released_ms)).scalar_one()
    assert (row.time_ms, row.delay_ms) == (NOW.timestamp() * 1000, 0)
    assert released_ms == LATER.timestamp() * 1000


def test_a_retained_replay_stays_one_when_it_is_released(writer: BatchWriter, db: Database) -> None:
    writer.commit([message({"t": 18.2, "h": 61.4}, "up/p1", retained=True)])
    result = release(db, TopicRules([UP]), CLOCK)
    assert result.released == 0
    assert "no known age" in result.still_held[0].reason
    stamped = UP.model_dump(mode="json")
    stamped["mapping"] |= {"time": "at", "time_format": "rfc3339"}
    writer.commit([message({"t": 18.2, "h": 61.4, "at": "2025-03-01T10:00:00Z"}, "up/p2", retained=True)])
    assert release(db, TopicRules([TopicRule.model_validate(stamped)]), CLOCK).released == 1
    assert heard(db) == []


def test_only_what_is_asked_for_is_tried(writer: BatchWriter, db: Database) -> None:
    writer.commit([message({"t": 18.2, "h": 61.4}, f"up/p{i}") for i in range(3)])
    wanted = held(db)[1]
    assert release(db, TopicRules([UP]), CLOCK, [wanted.id]).released == 1
    assert wanted.id not in {item.id for item in held(db)}
    assert len(held(db)) == 2


def test_releasing_twice_changes_nothing(writer: BatchWriter, db: Database) -> None:
    writer.commit([message({"t": 18.2, "h": 61.4}, "up/p1")])
    release(db, TopicRules([UP]), CLOCK)
    assert release(db, TopicRules([UP]), CLOCK) == (0, Outcome(), [])
    assert count(db) == 1


def test_a_conflict_stays_as_evidence(writer: BatchWriter, db: Database) -> None:
    writer.commit([message(GOOD), message({**GOOD, "temperature_c": 99.0})])
    result = release(db, TopicRules(), CLOCK)
    assert result.released == 0
    assert "contradicts" in result.still_held[0].reason
    assert [item.code for item in held(db)] == ["conflict"]


def test_a_partly_bad_payload_stays_held_with_its_good_readings_stored(writer: BatchWriter, db: Database) -> None:
    writer.commit([message([GOOD, {**GOOD, "time": "noon"}])])
    result = release(db, TopicRules(), CLOCK)
    assert result.released == 0
    assert (result.outcome.inserted, result.outcome.repeats) == (0, 1)
    assert len(held(db)) == 1


def test_one_payload_that_the_database_can_not_hold_does_not_keep_the_others_held(
    writer: BatchWriter, db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer.commit([message({"t": float(t), "h": 61.4}, f"up/p{t}") for t in range(5)])
    refusal = IntegrityError("insert", None, Exception("a constraint"))
    monkeypatch.setattr(
        "monitord.ingest.quarantine.insert_batch", failing(refusal, lambda r: r.temperature_c == 3.0, insert_batch)
    )
    result = release(db, TopicRules([UP]), CLOCK)
    assert (result.released, [item.topic for item in result.still_held]) == (4, ["up/p3"])


def two_topics(**more: object) -> TopicRules:
    mapping = {"time_format": "arrival", "join_within_s": 30, "temperature_c": {"path": "when(topic('q') == 't', @)"}}
    mapping |= {"relative_humidity_pct": {"path": "when(topic('q') == 'h', @)"}, **more}
    return TopicRules(
        [TopicRule.model_validate({"pattern": "two/{probe}/{q}", "format": "mapped-json", "mapping": mapping})]
    )


def half(probe: str, quantity: str, value: float, after_s: float, **more: bool) -> IncomingMessage:
    came = NOW + timedelta(seconds=after_s)
    return IncomingMessage(f"two/{probe}/{quantity}", str(value).encode(), came)._replace(**more)


def stored(db: Database) -> list[tuple[str, float, float, float]]:
    """Probe, seconds after NOW, temperature and humidity of what is stored."""
    columns = (probe_name.c.name, reading.c.time_ms, reading.c.temperature_c, reading.c.relative_humidity_pct)
    of_probe = probe_name.c.id == reading.c.probe_id
    with db.read() as conn:
        rows = conn.execute(select(*columns).join_from(reading, probe_name, of_probe).order_by(reading.c.time_ms)).all()
    return [(probe, at / 1000 - NOW.timestamp(), t, h) for probe, at, t, h in rows]


def test_two_halves_make_one_reading_with_the_time_of_the_later(db: Database) -> None:
    writer = BatchWriter(db, two_topics())
    assert writer.commit([half("p", "t", 18.2, 0)]) == Outcome()
    assert writer.commit([half("q", "h", 50, 1), half("p", "h", 61, 2)]) == Outcome(inserted=1)
    assert stored(db) == [("p", 2.0, 18.2, 61.0)]
    assert writer.commit([half("p", "h", 62, 5)]) == Outcome()  # a half is used once


def test_a_half_without_a_partner_is_counted_and_told_once(db: Database, caplog: pytest.LogCaptureFixture) -> None:
    writer = BatchWriter(db, two_topics())
    outcomes = [writer.commit([half("p", "t", 18, at)]) for at in (0, 10, 60, 120)]
    assert [outcome.unpaired for outcome in outcomes] == [0, 1, 1, 1]
    assert writer.commit([half("p", "h", 61, 151)]) == Outcome(unpaired=1)  # 31 s after the last temperature
    assert writer.commit([half("p", "t", 19, 181)]) == Outcome(inserted=1)  # 30 s: just within
    assert stored(db) == [("p", 181.0, 19.0, 61.0)]
    assert len([r for r in caplog.records if "came alone" in r.message]) == 1
    (shown,) = held(db)
    assert (shown.code, shown.payload, shown.times) == ("no_other_half", b"p", 4)
    (still,) = release(db, two_topics(), CLOCK).still_held
    assert "its other half never came" in still.reason


def test_a_half_that_may_have_waited_is_joined_to_nothing(db: Database) -> None:
    writer = BatchWriter(db, two_topics(time="payload().at", time_format=["unix-s", "arrival"]))
    assert writer.commit([half("p", "t", 18, 0), half("p", "h", 61, 1, delayed=True)]).held == 1
    assert held(db)[0].code == "no_age"
    assert release(db, two_topics(), CLOCK).released == 0


def test_halves_survive_a_batch_that_is_tried_again(db: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = BatchWriter(db, two_topics())
    writer.commit([half("p", "t", 18.2, 0)])
    with monkeypatch.context() as broken:

        def refuse(*_: object) -> None:
            raise StoreError("the disk is full")

        broken.setattr(writer_module, "insert_raw", refuse)
        with pytest.raises(StoreError):
            writer.commit([half("p", "h", 61, 2)])
    assert writer.commit([half("p", "h", 61, 2)]) == Outcome(inserted=1)


def test_the_cached_repeats_of_a_bridge_are_stored_and_not_heard(db: Database) -> None:
    rule = UP.model_copy(update={"mapping": UP.mapping.model_copy(update={"repeats_are_cached": True})})  # type: ignore[union-attr]
    writer = BatchWriter(db, TopicRules([rule]))

    def came(after_s: float, temperature: float, probe: str = "p") -> IncomingMessage:
        payload = json.dumps({"t": temperature, "h": 61}).encode()
        return IncomingMessage(f"up/{probe}", payload, NOW + timedelta(seconds=after_s))

    writer.commit([came(0, 18)])  # after our start nobody knows whether this is a repeat
    assert heard(db) == []
    writer.commit([came(60, 18.1), came(61, 20, "q")])
    assert heard(db) == ["p"]
    with db.read() as conn:
        before = probes_seen(conn)
    writer.commit([came(3600, 18.1)])
    with db.read() as conn:
        assert probes_seen(conn) == before
    assert count(db) == 4


def test_messages_that_are_no_reading_are_counted_and_not_kept(db: Database) -> None:
    writer = BatchWriter(db, TopicRules([UP.model_copy(update={"when": "t"})]))
    assert writer.commit([message({"door": "open"}, "up/p"), message({"t": 1, "h": 2}, "up/p")]) == Outcome(
        inserted=1, passed=1
    )
    assert held(db) == []


def test_a_message_of_unknown_age_is_held_and_its_release_does_not_invent_one(db: Database) -> None:
    writer = BatchWriter(db, TopicRules([UP]))
    waited = message({"t": 1, "h": 2}, "up/p")._replace(delayed=True)
    assert writer.commit([waited] * 3).held == 3
    assert count(db) == 0
    result = release(db, TopicRules([UP]), CLOCK)
    assert (result.released, count(db)) == (0, 0)


def test_probes_without_end_do_not_fill_the_memory() -> None:
    memory = Memory()
    for i in range(10_001):
        assert memory.join(Half({"probe": f"p{i}", "time": NOW, "temperature_c": 18.0}, 30.0), NOW) is None
        assert memory.repeats(f"up/{i}", b"{}")
    assert memory.unpaired == ["p0"]
    assert memory.repeats("up/10000", b"{}")
    assert not memory.repeats("up/10000", b"{ }")
    assert memory.repeats("up/0", b"{ }")  # forgotten, so that it counts as seen for the first time
