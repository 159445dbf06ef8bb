"""Several processes that send from one outbox: each message is sent by one, and by another when that one is gone."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from alerts_support import HandClock, LongestPause, Tape, after, alert, job, settings

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.sending.channels.base import ChannelError
from monitord.alerts.sending.dispatcher import Dispatcher
from monitord.alerts.sending.outbox import enqueue_news
from monitord.model.messages import Message, OutboxState
from monitord.store import alerts as stored_alerts
from monitord.store import jobs as stored_jobs
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database


@pytest.fixture
def db() -> Iterator[Database]:
    """One message waits in it."""
    database = Database.open("sqlite://")
    with database.write() as conn:
        stored_jobs.apply_job(conn, job())
        stored_alerts.save_alerts(conn, [alert()])
    enqueue_news(database, settings(), default_rule_book(), after(0))
    yield database
    database.close()


def sender(db: Database, name: str, tape: Tape, hold_s: float = 60.0, minute: float = 0) -> Dispatcher:
    clock = HandClock(after(minute))
    return Dispatcher(db, {"mail": tape}, clock, settings(), LongestPause(), holder=name, hold_s=hold_s)


def outcomes(db: Database) -> list[str]:
    with db.read() as conn:
        return [entry.outcome for entry in stored_outbox.log(conn)]


class Held:
    """A channel that takes a message and answers only when it is let."""

    def __init__(self, error: Exception | None = None) -> None:
        self.began, self.release, self.error = threading.Event(), threading.Event(), error

    def take(self, _: Message) -> None:
        self.began.set()
        assert self.release.wait(20)
        if self.error is not None:
            raise self.error


def test_what_one_is_sending_no_other_sends(db: Database) -> None:
    held, tape = Held(), Tape()
    slow = sender(db, "a", Tape(instead=held.take))
    assert slow.run_once(patience_s=0.05).still_sending == 1
    assert sender(db, "b", tape).run_once().sent == 0
    held.release.set()
    assert slow.run_once().sent == 1
    assert sender(db, "b", tape).run_once().sent == 0
    assert (tape.sent, outcomes(db)) == ([], ["sent"])
    slow.stop(1)


def test_who_is_still_sending_goes_on_holding(db: Database) -> None:
    held = Held()
    slow = sender(db, "a", Tape(instead=held.take), hold_s=0.0)
    slow.run_once(patience_s=0.05)
    slow._hold_s = 60.0
    slow.run_once(patience_s=0.05)
    assert sender(db, "b", Tape()).run_once().sent == 0
    held.release.set()
    slow.stop(5)


def test_another_sends_what_one_let_lie_under_the_same_id_and_a_late_failure_changes_nothing(db: Database) -> None:
    held, tape = Held(ChannelError("no answer")), Tape()
    with db.read() as conn:
        (waiting,) = stored_outbox.waiting(conn)
    dead = sender(db, "a", Tape(instead=held.take), hold_s=0.0)  # its time is over at once
    dead.run_once(patience_s=0.05)
    assert sender(db, "b", tape, minute=1).run_once().sent == 1
    assert [message.id for message in tape.sent] == [waiting.message.id]
    held.release.set()
    dead.stop(5)
    with db.read() as conn:
        found = stored_outbox.get_entry(conn, waiting.message.id)
    assert found is not None
    assert (found.state, found.attempts, outcomes(db)) == (OutboxState.SENT, 2, ["sent"])


def test_a_try_that_failed_may_be_made_again_by_anyone(db: Database) -> None:
    def refuse(_: Message) -> None:
        raise ChannelError("busy")

    tape = Tape()
    assert sender(db, "a", Tape(instead=refuse)).run_once().failed == 1
    assert sender(db, "b", tape, minute=60).run_once().sent == 1


def test_two_that_look_at_the_same_time_take_one_message_once(db: Database) -> None:
    with db.read() as conn:
        seen = stored_outbox.due(conn, after(0))
    with db.write() as conn:
        assert len(stored_outbox.hold(conn, seen, "a", 60)) == 1
        assert stored_outbox.hold(conn, seen, "b", 60) == []
        stored_outbox.record_attempt(conn, seen[0].message.id)
        assert stored_outbox.hold(conn, seen, "a", 60) == [], "it has been tried since"
