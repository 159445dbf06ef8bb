"""What the store promises about alerts, messages and mutes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from alerts_support import empty
from sqlalchemy import Connection, update

from monitord.errors import StoreError
from monitord.model.alerts import Alert, AlertEvent, AlertStatus, Severity, fingerprint
from monitord.model.assessments import Finding
from monitord.model.messages import Matcher, MatchLabel, Message, MessageItem, Mute, NotificationReason, OutboxState
from monitord.store import alerts, mutes, outbox
from monitord.store.db.alert_tables import alert_event
from monitord.store.db.database import Database

T0 = datetime(2025, 3, 1, 12, tzinfo=UTC)


def after(minutes: float) -> datetime:
    return T0 + timedelta(minutes=minutes)


@pytest.fixture(scope="module")
def shared() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def db(shared: Database) -> Database:
    empty(shared)
    return shared


@pytest.fixture
def conn(db: Database) -> Iterator[Connection]:
    with db.write() as connection:
        yield connection


def alert(location: str = "north", episode: int = 1, job: str = "J1", **change: object) -> Alert:
    print_ = fingerprint(job, "condensation", location, None)
    made = Alert(
        fingerprint=print_,
        episode=episode,
        job=job,
        kind="condensation",
        location=location,
        probe=None,
        severity=Severity.WATCH,
        status=AlertStatus.OPEN,
        opened_at=after(episode),
        finding=Finding(kind="condensation", location=location, measured_at=T0, value=0.8, unit="1"),
    )
    return made.model_copy(update=change)


def closed(location: str = "north", episode: int = 1) -> Alert:
    return alert(location, episode, status=AlertStatus.CLOSED, closed_at=after(episode + 0.5))


def message(id_: str = "m1", *, about: Alert | None = None, **change: object) -> Message:
    one = about or alert()
    made = Message(
        id=id_,
        person="anna",
        channel="mail",
        group="J1",
        severity=Severity.WATCH,
        created_at=T0,
        deadline=after(60),
        title="t",
        short="s",
        text="long",
        html="<p>long</p>",
        items=(
            MessageItem(
                subject=one.fingerprint,
                episode=one.episode,
                news=NotificationReason.OPENED,
                job="J1",
                severity=Severity.WATCH,
            ),
        ),
    )
    return made.model_copy(update=change)


def test_an_alert_comes_back_as_it_was_saved(conn: Connection) -> None:
    kept = alert(recent_openings=(T0,), pending_since=T0)
    alerts.save_alerts(conn, [kept])
    assert alerts.current_alerts(conn, "J1") == [kept]
    assert alerts.current_alerts(conn, "J2") == []


def test_only_the_latest_episode_is_current_and_all_stay_on_record(conn: Connection) -> None:
    alerts.save_alerts(conn, [closed(), alert(episode=2)])
    assert [a.episode for a in alerts.current_alerts(conn, "J1")] == [2]
    assert [a.episode for a in alerts.episodes(conn, "J1")] == [2, 1]
    assert alerts.get_alert(conn, alert().fingerprint, 1) == closed()
    assert alerts.get_alert(conn, alert().fingerprint) == alert(episode=2)


def test_open_alerts_are_those_that_are_open_or_acknowledged(conn: Connection) -> None:
    taken = alert("south", status=AlertStatus.ACKNOWLEDGED)
    alerts.save_alerts(conn, [alert(), taken, closed("east"), alert("west", status=AlertStatus.PENDING)])
    assert {a.location for a in alerts.open_alerts(conn)} == {"north", "south"}
    assert alerts.open_alerts(conn, "J2") == []
    assert alerts.count_open(conn) == {"J1": 2}


def test_the_latest_closings_come_first_of_the_jobs_asked_for(conn: Connection) -> None:
    alerts.save_alerts(conn, [closed(), closed("east"), alert("south")])
    both = sorted([closed(), closed("east")], key=lambda one: one.fingerprint, reverse=True)
    assert alerts.latest_closed(conn, 9) == alerts.latest_closed(conn, 9, {"J1", "J2"}) == both
    assert alerts.latest_closed(conn, 1) == both[:1]
    assert alerts.latest_closed(conn, 9, {"J2"}) == []


def test_what_never_opened_is_no_episode(conn: Connection) -> None:
    dropped = alert(status=AlertStatus.CLOSED, opened_at=None)
    alerts.save_alerts(conn, [dropped])
    assert alerts.episodes(conn, "J1") == []
    assert alerts.alerts_to_consider(conn, after(99)) == ([], frozenset())
    assert alerts.current_alerts(conn, "J1") == [dropped], "the engine still needs its episode number"


def test_a_closed_alert_is_unsettled_until_it_is_settled(conn: Connection) -> None:
    alerts.save_alerts(conn, [closed()])
    assert alerts.alerts_to_consider(conn, after(99)) == ([closed()], frozenset())
    alerts.settle(conn, [(closed().fingerprint, 1)])
    assert alerts.alerts_to_consider(conn, after(99)) == ([], frozenset())
    assert alerts.alerts_to_consider(conn, after(1)) == ([closed()], {(closed().fingerprint, 1)})


def test_the_history_keeps_its_order_and_can_be_asked_by_job_or_alert(conn: Connection) -> None:
    alerts.save_alerts(conn, [alert(), alert(job="J2")])
    one, two = alert().fingerprint, alert(job="J2").fingerprint
    steps = [AlertEvent(fingerprint=f, episode=1, at=T0, event=e) for f, e in ((one, "b"), (two, "x"), (one, "a"))]
    alerts.add_events(conn, steps)
    assert [e.event for e in alerts.events(conn, job="J1")] == ["b", "a"]
    assert [e.event for e in alerts.events(conn, fingerprint=two)] == ["x"]
    assert len(alerts.events(conn)) == 3


def test_the_history_refuses_to_be_changed(db: Database) -> None:
    with db.write() as conn:
        alerts.add_events(conn, [AlertEvent(fingerprint="f", episode=1, at=T0, event="opened")])
    with pytest.raises(StoreError, match="append-only"), db.write() as conn:
        conn.execute(update(alert_event).values(event="never happened"))


def test_the_same_message_goes_in_once(conn: Connection) -> None:
    assert outbox.enqueue(conn, message())
    assert not outbox.enqueue(conn, message(title="another"))
    (entry,) = outbox.due(conn, T0)
    assert entry.message == message()
    assert (entry.state, entry.attempts) == (OutboxState.WAITING, 0)


def test_due_messages_come_by_urgency_then_age(conn: Connection) -> None:
    for id_, severity, minute in (("n", "note", 0), ("w", "watch", 1), ("a2", "act", 3), ("a1", "act", 2)):
        outbox.enqueue(conn, message(id_, severity=Severity(severity), created_at=after(minute)))
    assert [e.message.id for e in outbox.due(conn, after(10))] == ["a1", "a2", "w", "n"]
    assert [e.message.id for e in outbox.due(conn, after(1))] == ["w", "n"]


def test_a_sent_message_is_in_the_log_and_no_longer_due(conn: Connection) -> None:
    outbox.enqueue(conn, message())
    outbox.record_attempt(conn, "m1")
    outbox.record_sent(conn, message(), after(1))
    assert outbox.due(conn, after(100)) == []
    (line,) = outbox.log(conn)
    assert (line.outcome, line.person, line.channel, line.at) == ("sent", "anna", "mail", after(1))


def test_a_failed_message_waits_for_its_next_try_and_is_given_up_at_its_deadline(conn: Connection) -> None:
    outbox.enqueue(conn, message())
    outbox.record_attempt(conn, "m1")
    assert outbox.record_failure(conn, message(), after(1), "no answer", after(5)) is OutboxState.WAITING
    assert outbox.due(conn, after(4)) == []
    assert outbox.due(conn, after(5))[0].last_error == "no answer"
    assert outbox.record_failure(conn, message(), after(55), "no answer", after(60)) is OutboxState.UNDELIVERABLE
    assert [e.message.id for e in outbox.undeliverable(conn)] == ["m1"]
    assert outbox.undeliverable(conn, since=after(56)) == []
    assert [line.outcome for line in outbox.log(conn)] == ["undeliverable", "failed"]


def test_only_a_message_that_was_never_tried_can_be_taken_back(conn: Connection) -> None:
    outbox.enqueue(conn, message("m1"))
    outbox.enqueue(conn, message("m2"))
    outbox.record_attempt(conn, "m1")
    assert not outbox.supersede(conn, "m1", T0, "closed")
    assert outbox.supersede(conn, "m2", T0, "closed")
    assert [e.message.id for e in outbox.waiting(conn)] == ["m1"]


def test_told_items_are_those_of_unsettled_alerts_without_what_was_taken_back(conn: Connection) -> None:
    alerts.save_alerts(conn, [alert(), closed("south")])
    outbox.enqueue(conn, message("m1"))
    outbox.enqueue(conn, message("m2", about=closed("south")))
    assert {t.item.subject for t in outbox.sent_items(conn, after(99))} == {
        alert().fingerprint,
        closed("south").fingerprint,
    }
    alerts.settle(conn, [(closed("south").fingerprint, 1)])
    outbox.supersede(conn, "m1", T0, "test")
    assert outbox.sent_items(conn, after(99)) == []


def test_the_last_message_to_a_person_about_a_job_is_known(conn: Connection) -> None:
    outbox.enqueue(conn, message("m1"))
    outbox.enqueue(conn, message("m2", created_at=after(2)))
    assert outbox.last_messages(conn, after(-5)) == {("anna", "J1"): after(2)}
    assert outbox.last_messages(conn, after(2)) == {}


def test_old_messages_are_forgotten_but_not_while_a_closing_is_owed(conn: Connection) -> None:
    alerts.save_alerts(conn, [alert()])
    for id_, about in (("m1", alert()), ("m2", closed("south"))):
        outbox.enqueue(conn, message(id_, about=about))
        outbox.record_sent(conn, message(id_, about=about), T0)
    assert outbox.forget_before(conn, after(1)) == 1
    assert outbox.get_entry(conn, "m1") is not None
    assert len(outbox.log(conn)) == 2, "the log stays"


def mute(id_: str = "k1", end: float = 60) -> Mute:
    return Mute(
        id=id_,
        matchers=(Matcher(label=MatchLabel.JOB, pattern="J1"),),
        start=T0,
        end=after(end),
        author="Anna",
        comment="painters",
        created_at=T0,
    )


def test_mutes_come_by_their_end_and_past_ones_can_be_left_out(conn: Connection) -> None:
    for one in (mute("a", 60), mute("b", 30)):
        mutes.add_mute(conn, one)
    assert [m.id for m in mutes.mutes(conn)] == ["b", "a"]
    assert mutes.mutes(conn, ending_after=after(30)) == [mute("a", 60)]


def test_a_mute_ended_early_keeps_what_it_said_and_who_ended_it(conn: Connection) -> None:
    mutes.add_mute(conn, mute())
    ended = mutes.end_mute(conn, "k1", after(10), "Bo")
    assert ended is not None
    assert (ended.end, ended.ended_at, ended.ended_by) == (after(60), after(10), "Bo")
    assert mutes.mutes(conn, ending_after=after(11)) == []
    assert mutes.end_mute(conn, "k1", after(20), "Cy") == ended
    assert mutes.end_mute(conn, "none", after(20), "Cy") is None


def test_the_key_of_links_is_made_once(db: Database) -> None:
    with db.write() as conn:
        first = alerts.link_secret(conn)
    with db.read() as conn:
        assert alerts.link_secret(conn) == first
    assert len(first) == 32
