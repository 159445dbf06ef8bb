"""From stored alerts to sent messages, and what people do to them, on a real store."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from datetime import timedelta

import pytest
from alerts_support import T0, HandClock, LongestPause, Tape, after, alert, closed, empty, job, person, refuse, settings

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.messages.signed_links import Link, LinkError, Purpose, sign
from monitord.alerts.notifier import Notifier, enqueue_digests
from monitord.alerts.requests import (
    acknowledge_alert,
    end_alerts_of_job,
    end_mute,
    follow_link,
    look_at_link,
    mute,
)
from monitord.alerts.sending.channels.base import ChannelError
from monitord.alerts.sending.dispatcher import Dispatcher, backoff_s
from monitord.alerts.sending.outbox import decisions, enqueue_news
from monitord.alerts.sending.test_message import enqueue_test
from monitord.alerts.system.gateways import SeenProbe, fleet_findings
from monitord.alerts.system.self_monitoring import Condition, self_findings
from monitord.alerts.system.system_alerts import free_share_of, watch_over
from monitord.errors import ConfigurationError, MonitordError
from monitord.model.alerts import SYSTEM, Alert, AlertStatus, Ending
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.facts import Truth
from monitord.model.messages import Matcher, MatchLabel, Message, NotificationReason, OutboxState
from monitord.model.readings import Reading
from monitord.store import alerts as stored_alerts
from monitord.store import jobs as stored_jobs
from monitord.store import mutes as stored_mutes
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch

RULES = default_rule_book()
NORTH = alert().fingerprint


@pytest.fixture(scope="module")
def shared() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def db(shared: Database) -> Database:
    """A store with one job; emptied rather than made anew, which would take longer than the test."""
    empty(shared)
    with shared.write() as conn:
        stored_jobs.apply_job(conn, job())
    return shared


def save(db: Database, *alerts: Alert) -> None:
    with db.write() as conn:
        stored_alerts.save_alerts(conn, alerts)


class World:
    """A desk with a hand clock and a tape."""

    def __init__(self, db: Database, one: AlertSettings | None = None) -> None:
        self.db, self.clock, self.tape = db, HandClock(), Tape()
        self.settings = one or settings()
        self.dispatcher = Dispatcher(db, {"mail": self.tape}, self.clock, self.settings, LongestPause(), workers=2)

    def tell(self, minute: float) -> list[str]:
        """One round; the news that went out in it."""
        self.clock.at = after(minute)
        before = len(self.tape.sent)
        enqueue_news(self.db, self.settings, RULES, self.clock.at)
        self.dispatcher.run_once()
        return [str(item.news) for message in self.tape.sent[before:] for item in message.items]


def test_told_once_however_often_the_round_is_run(db: Database) -> None:
    world = World(db)
    save(db, alert())
    assert world.tell(0) == ["opened"]
    assert [world.tell(m) for m in (0, 1, 2, 100)] == [[]] * 4


def test_a_round_with_nothing_to_do_writes_nothing(db: Database) -> None:
    save(db, alert())
    world = World(db)
    world.tell(0)
    with db.read() as conn:
        before = conn.connection.driver_connection.total_changes  # type: ignore[union-attr]
    world.tell(1)
    with db.read() as conn:
        assert conn.connection.driver_connection.total_changes == before  # type: ignore[union-attr]


def test_a_closed_episode_is_settled_when_everyone_was_told(db: Database) -> None:
    world = World(db)
    save(db, alert())
    world.tell(0)
    save(db, closed())
    assert world.tell(31) == ["closed"]
    world.tell(32)
    with db.read() as conn:
        assert stored_alerts.alerts_to_consider(conn, after(9999)) == ([], frozenset())


def test_a_word_that_was_never_tried_is_taken_back_when_the_alert_closes(db: Database) -> None:
    world = World(db)
    save(db, alert())
    enqueue_news(db, world.settings, RULES, T0)
    save(db, closed())
    assert world.tell(31) == []
    with db.read() as conn:
        assert [line.outcome for line in stored_outbox.log(conn)] == ["superseded"]


def test_a_word_that_may_have_got_through_is_followed_by_the_closing_in_order(db: Database) -> None:
    world = World(db)
    world.tape.instead = refuse
    save(db, alert())
    world.tell(0)
    save(db, closed())
    world.tape.instead = None
    assert world.tell(31) == ["opened", "closed"]


def test_why_someone_is_told_or_not_can_be_asked_at_any_time(db: Database) -> None:
    save(db, alert())
    world = World(db)
    world.tell(0)
    (decision,) = decisions(db, world.settings, after(1)).decisions
    assert (decision.person, decision.fingerprint) == ("anna", NORTH)
    assert decision.verdict.due_at == after(12 * 60)


def test_what_explains_an_alert_is_stored_with_it_and_in_its_history(db: Database) -> None:
    world = World(db)
    fault = alert("probe_fault", probe="p1")
    save(db, alert(), fault)
    world.tell(0)
    with db.read() as conn:
        kept = stored_alerts.get_alert(conn, NORTH)
        history = [event.event for event in stored_alerts.events(conn, fingerprint=NORTH)]
    assert kept is not None
    assert (kept.inhibited_by, kept.inhibited_why) == (fault.fingerprint, "the probe there is faulty")
    assert history == ["inhibited"]


# --- sending --------------------------------------------------------------------------------------------------


def test_a_failed_try_is_logged_and_tried_again_after_a_pause(db: Database) -> None:
    world = World(db, settings(retry_first_s=60, retry_cap_s=90))
    world.tape.instead = refuse
    save(db, alert())
    world.tell(0)
    with db.read() as conn:
        (entry,) = stored_outbox.waiting(conn)
    assert (entry.attempts, entry.next_try_at, entry.last_error) == (1, after(1), "out of order")
    world.tell(1)
    with db.read() as conn:
        (entry,) = stored_outbox.waiting(conn)
    assert (entry.attempts, entry.next_try_at) == (2, after(2.5)), "two minutes, cut down to the cap"


def test_backoff_is_a_random_share_of_a_doubling_ceiling_with_a_cap() -> None:
    one = settings(retry_first_s=10, retry_cap_s=900)
    rng = random.Random(5)
    for attempts, ceiling in ((1, 10), (2, 20), (5, 160), (8, 900), (5000, 900)):
        drawn = [backoff_s(attempts, one, rng) for _ in range(400)]
        assert 0 <= min(drawn) < 0.1 * ceiling
        assert 0.9 * ceiling < max(drawn) <= ceiling
        assert 0.4 * ceiling < sum(drawn) / len(drawn) < 0.6 * ceiling


def test_a_channel_that_asked_for_a_pause_is_left_alone_for_it(db: Database) -> None:
    """Also what is new waits; a message near its deadline makes its last try all the same."""
    tries: list[str] = []

    def busy(message: Message) -> None:
        tries.append(message.group)
        raise ChannelError("429", retry_after_s=3600)

    world = World(db, settings(retry_first_s=10, give_up_after_s=7200, group_interval_s=0))
    world.tape.instead = busy
    save(db, alert())
    world.tell(0)
    assert len(tries) == 1
    save(db, alert(job="J2", opened_at=after(5)))
    for minute in range(6, 59, 4):
        world.tell(minute)
    assert len(tries) == 1, "neither the same nor another message was tried"
    world.tape.instead = None
    assert sorted(world.tell(61)) == ["opened", "opened"]


def test_after_a_day_without_its_channel_each_news_goes_out_once_and_in_few_messages(db: Database) -> None:
    world = World(db, settings(give_up_after_s=48 * 3600))
    world.tape.instead = refuse
    jobs_of_the_day = [f"J{n}" for n in range(1, 13)]
    for hour in range(24):
        if hour % 2 == 0:
            save(db, alert(job=jobs_of_the_day[hour // 2], opened_at=after(60 * hour)))
        for minute in (0, 20, 40):
            world.tell(60 * hour + minute)
    with db.read() as conn:
        assert len(stored_outbox.waiting(conn)) >= 1
        assert stored_outbox.undeliverable(conn) == []
    world.tape.instead = None
    for minute in range(0, 120, 5):
        world.tell(24 * 60 + minute)
    told = [(item.job, str(item.news)) for message in world.tape.sent for item in message.items]
    opened = [job for job, news in told if news == "opened"]
    assert sorted(opened) == sorted(jobs_of_the_day), "none lost"
    assert len(told) == len(set(told)), "none twice"
    assert {news for _, news in told} == {"opened", "reminder"}, "after 12 hours nobody had acknowledged it"
    assert len({message.id for message in world.tape.sent}) == len(world.tape.sent) <= 2 * len(jobs_of_the_day)


def test_one_last_try_is_made_before_giving_up(db: Database) -> None:
    world = World(db, settings(retry_first_s=3600, retry_cap_s=3600, give_up_after_s=1800))
    world.tape.instead = refuse
    save(db, alert())
    world.tell(0)
    with db.read() as conn:
        (entry,) = stored_outbox.waiting(conn)
    assert entry.next_try_at == after(30) - timedelta(seconds=1)
    world.clock.at = entry.next_try_at
    assert world.dispatcher.run_once().given_up == 1
    with db.read() as conn:
        assert [e.state for e in stored_outbox.undeliverable(conn)] == [OutboxState.UNDELIVERABLE]


def test_a_channel_that_is_gone_from_the_settings_fails_in_words(db: Database) -> None:
    save(db, alert())
    enqueue_news(db, settings(), RULES, T0)
    Dispatcher(db, {}, HandClock(), settings(), LongestPause()).run_once()
    with db.read() as conn:
        assert "no channel 'mail' any more" in str(stored_outbox.waiting(conn)[0].last_error)


def test_any_other_error_of_a_channel_is_a_failed_try_too(db: Database) -> None:
    world = World(db)

    def burst(_: Message) -> None:
        raise RuntimeError("burst")

    world.tape.instead = burst
    save(db, alert())
    world.tell(0)
    with db.read() as conn:
        assert stored_outbox.waiting(conn)[0].last_error == "RuntimeError: burst"


def test_a_channel_that_hangs_holds_up_nobody_and_is_not_asked_twice(db: Database) -> None:
    release, hung = threading.Event(), Tape(instead=lambda _: release.wait(5) and None)
    quick, clock = Tape(), HandClock()
    channels = [{"name": "mail", "url": "log://"}, {"name": "slow", "url": "log://"}]
    two = [person(), person("bo", ways=[{"channel": "slow"}])]
    one = settings(channels=channels, people=two)
    save(db, alert())
    enqueue_news(db, one, RULES, T0)
    dispatcher = Dispatcher(db, {"mail": quick, "slow": hung}, clock, one, LongestPause())
    first = dispatcher.run_once(patience_s=0.3)
    assert (first.sent, first.still_sending) == (1, 1)
    clock.forward(hours=1)
    second = dispatcher.run_once(patience_s=0.1)
    assert (second.sent, second.still_sending) == (0, 1)
    release.set()
    assert dispatcher.run_once(patience_s=5).sent == 1
    assert len(hung.sent) == 1
    dispatcher.stop(1)
    dispatcher.stop(1)


# --- what people do -------------------------------------------------------------------------------------------


def test_acknowledging_is_kept_and_told_of_in_the_history(db: Database) -> None:
    save(db, alert())
    with db.write() as conn:
        assert "acknowledged" in acknowledge_alert(conn, NORTH, None, "Anna", "fans on", after(1)).reason
        assert "is acknowledged" in acknowledge_alert(conn, NORTH, 1, "Bo", "", after(2)).reason
        kept = stored_alerts.get_alert(conn, NORTH)
        (event,) = stored_alerts.events(conn)
    assert kept is not None
    assert kept.acknowledged_by == "Anna"
    assert event.detail == "by Anna: fans on"
    with db.write() as conn, pytest.raises(MonitordError, match="no such alert"):
        acknowledge_alert(conn, "nothing", None, "Anna", "", T0)


def test_a_mute_that_is_not_whole_is_refused_with_a_remedy(db: Database) -> None:
    everything = [Matcher(label=MatchLabel.JOB, pattern="*")]
    with db.write() as conn:
        with pytest.raises(MonitordError, match="cover every alert"):
            mute(conn, everything, T0, after(1), "Anna", "x", T0)
        with pytest.raises(MonitordError, match="no such mute"):
            end_mute(conn, "nothing", "Anna", T0)


def test_ending_a_jobs_alerts_is_told_with_the_word_why(db: Database) -> None:
    world = World(db)
    save(db, alert())
    world.tell(0)
    with db.write() as conn:
        end_alerts_of_job(conn, "J1", after(5), "the job was paused", Ending.PAUSED, "Bo")
    assert world.tell(6) == ["closed"]
    assert "alerts paused by Bo." in world.tape.sent[-1].text


def token(db: Database, purpose: Purpose, subject: str, **change: object) -> str:
    link = Link(purpose=purpose, person="anna", subject=subject, episode=1, expires=int(after(600).timestamp()))
    with db.write() as conn:
        return sign(link.model_copy(update=change), stored_alerts.link_secret(conn))


def test_looking_at_a_link_changes_nothing_and_following_it_acknowledges_in_the_persons_name(db: Database) -> None:
    save(db, alert())
    link = token(db, Purpose.ACKNOWLEDGE, NORTH)
    with db.write() as conn:
        seen = look_at_link(conn, link, Purpose.ACKNOWLEDGE, after(1))
        assert seen.alerts[0].status is AlertStatus.OPEN
        done = follow_link(conn, link, Purpose.ACKNOWLEDGE, "on my way", after(2), settings())
        again = follow_link(conn, link, Purpose.ACKNOWLEDGE, "twice", after(3), settings())
    assert done.alerts[0].acknowledged_by == "anna"
    assert again.alerts[0].acknowledgement_note == "on my way"


def test_a_link_can_take_on_all_alerts_of_its_message(db: Database) -> None:
    world = World(db)
    save(db, alert(), alert(location="south"))
    world.tell(0)
    link = token(db, Purpose.ACKNOWLEDGE_ALL, world.tape.sent[0].id)
    with db.write() as conn:
        done = follow_link(conn, link, Purpose.ACKNOWLEDGE_ALL, "", after(2), settings())
    assert [a.status for a in done.alerts] == [AlertStatus.ACKNOWLEDGED] * 2


def test_a_mute_link_mutes_that_alert_once_and_with_an_end(db: Database) -> None:
    save(db, alert())
    link = token(db, Purpose.MUTE, NORTH, mute_h=24.0)
    with db.write() as conn:
        for minute in (1, 2):
            follow_link(conn, link, Purpose.MUTE, "known", after(minute), settings())
        (made,) = stored_mutes.mutes(conn)
    assert (made.end, made.author, made.comment) == (after(1 + 24 * 60), "anna", "known")


def test_a_link_for_one_thing_does_not_do_another(db: Database) -> None:
    save(db, alert())
    link = token(db, Purpose.MUTE, NORTH, mute_h=24.0)
    with db.write() as conn, pytest.raises(LinkError):
        follow_link(conn, link, Purpose.ACKNOWLEDGE, "", T0, settings())


def test_a_test_message_goes_every_way_of_a_person_as_alerts_do(db: Database) -> None:
    world = World(db)
    with db.write() as conn:
        enqueue_test(conn, world.settings, "anna", T0)
    world.dispatcher.run_once()
    assert "Nothing is wrong" in world.tape.sent[0].text
    with db.write() as conn, pytest.raises(ConfigurationError, match="Use one of anna"):
        enqueue_test(conn, world.settings, "zoe", T0)


# --- watching over gateways, probes and the program -----------------------------------------------------------


def placed(*probes: str, interval_s: float = 600) -> object:
    return [{"id": p, "location_id": "north", "from": T0 - timedelta(days=1), "interval_s": interval_s} for p in probes]


def heard(minutes: float, *probes: str, gateway: str = "g1") -> list[SeenProbe]:
    return [SeenProbe(p, after(minutes), gateway) for p in probes]


def test_a_gateway_is_as_old_as_the_newest_of_its_probes() -> None:
    both = [*heard(0, "p1"), *heard(10, "p2")]
    findings = fleet_findings(both, [job(probes=placed("p1", "p2"))], [], after(70))["J1"]
    assert [(f.kind, f.gateway, f.value) for f in findings] == [("gateway_silent", "g1", 6.0)]


def test_a_gateway_with_one_probe_is_left_to_that_probes_own_alert() -> None:
    assert fleet_findings(heard(0, "p1"), [job(probes=placed("p1"))], [], after(70))["J1"] == []


def test_a_gateway_that_was_told_as_silent_is_judged_until_its_probes_are_gone() -> None:
    told = [alert("gateway_silent", None, gateway="g1")]
    one = fleet_findings(heard(60, "p1"), [job(probes=placed("p1"))], told, after(70))["J1"]
    assert [f.value for f in one] == [1.0]
    moved = fleet_findings(heard(60, "p1", gateway="g2"), [job(probes=placed("p1"))], told, after(70))["J1"]
    assert [(f.gateway, f.value) for f in moved] == [("g1", 0.0)]


def test_a_probe_that_no_job_has_placed_is_named_until_it_is_placed_or_gone() -> None:
    unplaced_probe = heard(0, "p9")
    assert [f.truth for f in fleet_findings(unplaced_probe, [job()], [], after(1))[SYSTEM]] == [Truth.TRUE]
    assert fleet_findings(unplaced_probe, [job(probes=placed("p9"))], [], after(1))[SYSTEM] == []
    told = [alert("unplaced_probe", None, job=SYSTEM, probe="p9")]
    assert [f.truth for f in fleet_findings(unplaced_probe, [job(probes=placed("p9"))], told, after(1))[SYSTEM]] == [
        Truth.FALSE
    ]
    assert [f.truth for f in fleet_findings(unplaced_probe, [job()], told, after(60 * 25))[SYSTEM]] == [Truth.FALSE]
    assert [f.truth for f in fleet_findings([], [job()], told, after(1))[SYSTEM]] == [Truth.FALSE]


def test_the_program_says_how_it_stands() -> None:
    found = {f.kind: f.value for f in self_findings(Condition(after(-20), 0.05, 2), T0)}
    assert found == {
        "assessment_behind": 1200.0,
        "undeliverable": 2.0,
        "disk_nearly_full": 0.05,
        "mirror_stopped": None,
    }
    well = {f.kind: f.value for f in self_findings(Condition(None, None, 0), T0)}
    assert well == {"assessment_behind": 0.0, "undeliverable": 0.0, "mirror_stopped": None}


@pytest.mark.parametrize(
    ("since_min", "refused", "stopped"),
    [(None, False, False), (-59, False, False), (-60, False, True), (0, True, True)],
)
def test_a_mirror_that_refuses_is_news_at_once_and_one_that_is_away_after_an_hour(
    since_min: int | None, refused: bool, stopped: bool
) -> None:
    since = None if since_min is None else after(since_min)
    (found,) = (f for f in self_findings(Condition(None, None, 0, since, refused), T0) if f.kind == "mirror_stopped")
    assert found.truth is Truth.of(stopped)


def test_a_stray_probe_becomes_an_alert_and_ends_when_it_is_placed(db: Database) -> None:
    reading = Reading(probe="p9", time=T0, temperature_c=20, relative_humidity_pct=50, received_at=T0)
    with db.write() as conn:
        insert_batch(conn, [reading])
    assert [e.event for e in watch_over(db, RULES, after(1), None).events] == ["opened"]
    with db.write() as conn:
        stored_jobs.apply_job(conn, job(probes=placed("p9")))
    assert [e.event for e in watch_over(db, RULES, after(2), None).events] == ["closed"]


def test_a_message_given_up_is_itself_an_alert_for_a_day(db: Database) -> None:
    world = World(db, settings(give_up_after_s=1))
    world.tape.instead = refuse
    save(db, alert())
    world.tell(0)
    assert [e.event for e in watch_over(db, RULES, after(1), None).events] == ["opened"]
    assert watch_over(db, RULES, after(2), None).events == []
    assert [e.event for e in watch_over(db, RULES, after(1442), None).events] == ["closed"]


def test_free_space_is_a_share(tmp_path: object) -> None:
    assert 0 < free_share_of(tmp_path) < 1  # type: ignore[arg-type]


# --- the desk -------------------------------------------------------------------------------------------------


def test_a_desk_tells_digests_once_and_shows_the_state(db: Database) -> None:
    shown: list[int] = []

    class Board:
        def show(self, alerts: object, assessments: object = ()) -> int:
            shown.append(len(list(alerts)))  # type: ignore[call-overload]
            return 0

    clock, tape = HandClock(T0.replace(hour=5)), Tape()
    one = settings(people=[person(digest_at="07:00")])
    save(db, alert(opened_at=after(-500)))
    notifier = Notifier(db, clock, one, RULES, {"mail": tape}, Board())
    notifier.run_once()
    notifier.run_once()
    assert [m.items[0].news for m in tape.sent] == [NotificationReason.OPENED, NotificationReason.DIGEST]
    assert shown == [1, 1]
    notifier.stop(1)


def test_a_part_that_fails_does_not_stop_the_round(db: Database, caplog: pytest.LogCaptureFixture) -> None:
    class Broken:
        def show(self, alerts: object, assessments: object = ()) -> int:
            raise OSError("no broker")

    tape = Tape()
    save(db, alert())
    notifier = Notifier(db, HandClock(), settings(), RULES, {"mail": tape}, Broken())
    notifier.run_once()
    assert len(tape.sent) == 1
    assert "could not publish the state" in caplog.text


def test_digests_are_written_once_for_each_hour(db: Database) -> None:
    one = settings(people=[person(digest_at="07:00")])
    seven = T0.replace(hour=5)
    assert [enqueue_digests(db, one, seven + timedelta(hours=h)) for h in (0, 1, 5, 24, 25)] == [1, 0, 0, 1, 0]


def test_a_digest_does_not_hold_back_news(db: Database) -> None:
    world = World(db, settings(people=[person(digest_at="07:00")], group_interval_s=3600))
    seven = T0.replace(hour=5)
    assert enqueue_digests(db, world.settings, seven) == 1
    save(db, alert(opened_at=seven))
    assert sorted(world.tell((seven - T0).total_seconds() / 60 + 1)) == ["digest", "opened"]


def test_old_messages_go_and_the_log_stays(db: Database) -> None:
    world = World(db)
    save(db, alert())
    world.tell(0)
    save(db, closed())
    world.tell(31)
    world.tell(32)
    notifier = Notifier(db, HandClock(after(60 * 24 * 100)), world.settings, RULES, {"mail": world.tape})
    assert notifier.tidy() == 2
    with db.read() as conn:
        assert len(stored_outbox.log(conn)) == 2
    notifier.stop(1)
