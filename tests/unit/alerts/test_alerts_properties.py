"""What holds whatever happens: of the engine alone, and of the whole way from a finding to a person."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

import pytest
from alerts_support import T0, HandClock, LongestPause, Tape, empty, job, person, refuse, settings
from hypothesis import HealthCheck, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from monitord.alerts.lifecycle.engine import acknowledge, step
from monitord.alerts.lifecycle.rules import AlertRules, Rule, SeverityStep
from monitord.alerts.lifecycle.transitions import OPEN
from monitord.alerts.requests import acknowledge_alert, end_alerts_of_job, keep, mute
from monitord.alerts.sending.dispatcher import Dispatcher
from monitord.alerts.sending.outbox import enqueue_news
from monitord.model.alerts import Alert, Severity, fingerprint
from monitord.model.assessments import Finding
from monitord.model.messages import Matcher, MatchLabel, NotificationReason
from monitord.store import alerts as stored_alerts
from monitord.store import jobs as stored_jobs
from monitord.store.db.database import Database

RULE = Rule(
    kind="condensation",
    unit="1",
    raise_at=0.5,
    clear_at=0.3,
    hold_s=1200,
    clear_hold_s=1800,
    minimum_readings=2,
    max_gap_s=3600,
    severity_steps=(SeverityStep(raise_at=0.9, clear_at=0.7, severity=Severity.ACT),),
    flap_openings=3,
    flap_clear_hold_s=7200,
)
RULES = AlertRules([RULE])

CALM = effort(deadline=None)
"""No time limit for one example: the machine may be busy."""

values = st.one_of(st.none(), st.sampled_from([0.0, 0.3, 0.4, 0.5, 0.6, 0.9, 1.0, float("nan")]))
moves = st.lists(st.tuples(st.integers(0, 90), values, st.booleans()), min_size=1, max_size=60)


def finding(location: str, at: datetime, value: float | None, **more: Any) -> Finding:
    return Finding(kind="condensation", location=location, measured_at=at, value=value, unit="1", **more)


def lives(
    sequence: list[tuple[int, float | None, bool]], restart_at: int | None = None
) -> tuple[list[str], Alert | None]:
    """Events of one alert over a sequence of (minutes later, value, acknowledged), and what it is at the end."""
    now, known, events = T0, dict[str, Alert](), []
    for number, (minutes, value, taken) in enumerate(sequence):
        now += timedelta(minutes=minutes)
        if restart_at == number:
            known = {k: Alert.model_validate_json(a.model_dump_json()) for k, a in known.items()}
        results = [step(RULES, list(known.values()), [finding("north", now, value)], "J1", now)]
        known |= {alert.fingerprint: alert for alert in results[0].alerts}
        if taken and known:
            results.append(acknowledge(next(iter(known.values())), "Anna", "", now))
            known |= {alert.fingerprint: alert for alert in results[1].alerts}
        events += [f"{e.event} {e.episode}" for result in results for e in result.events]
    return events, next(iter(known.values()), None)


@given(moves)
@CALM
def test_every_episode_opens_once_before_it_closes_once(sequence: list[tuple[int, float | None, bool]]) -> None:
    events, alert = lives(sequence)
    main = [e for e in events if e.split()[0] in ("opened", "closed")]
    expected = [f"{name} {n}" for n in range(1, len(main) // 2 + 2) for name in ("opened", "closed")]
    assert main == expected[: len(main)]
    is_open = alert is not None and alert.status in OPEN
    assert is_open == (len(main) % 2 == 1)


@given(moves)
@CALM
def test_unknown_values_alone_never_change_a_status(sequence: list[tuple[int, float | None, bool]]) -> None:
    _, alert = lives(sequence)
    if alert is None:
        return
    now = T0 + timedelta(days=30)
    for value in (None, float("nan")):
        result = step(RULES, [alert], [finding("north", now, value)], "J1", now)
        assert all(changed.status is alert.status for changed in result.alerts)


@given(moves, st.integers(0, 60))
@CALM
def test_a_restart_at_any_step_changes_nothing(sequence: list[tuple[int, float | None, bool]], at: int) -> None:
    assert lives(sequence, restart_at=at) == lives(sequence)


@given(st.permutations([(f"wall{n}", v) for n, v in enumerate([0.1, 0.5, 0.95, 0.4, 0.6, 0.9, None, 0.2])]))
@CALM
def test_the_order_of_findings_changes_nothing(shuffled: list[tuple[str, float | None]]) -> None:
    findings = [finding(location, T0, value, readings=5) for location, value in shuffled]
    rules = AlertRules([RULE.model_copy(update={"hold_s": 0.0})])
    plain = step(rules, [], sorted(findings, key=lambda f: f.location or ""), "J1", T0)
    mixed = step(rules, [], findings, "J1", T0)
    assert (mixed.alerts, mixed.events) == (plain.alerts, plain.events)


# --- order of arrival -----------------------------------------------------------------------------------------

FILLED = AlertRules([RULE.model_copy(update={"since_fills_hold": True, "flap_openings": 100})])


def judged(readings: list[tuple[int, bool]]) -> Finding:
    """What an assessment of these readings (minute, wet) says: the newest, and since when it has been so."""
    ordered = sorted(readings)
    run = list(next(iter([list(g) for _, g in groupby(ordered[::-1], key=lambda r: r[1])])))
    at, since = (T0 + timedelta(minutes=m) for m in (run[0][0], run[-1][0]))
    return finding("north", at, 0.8 if run[0][1] else 0.1, since=since, readings=len(run))


def end_state(batches: list[list[tuple[int, bool]]]) -> tuple[bool, datetime | None]:
    known, seen, now = dict[str, Alert](), list[tuple[int, bool]](), T0 + timedelta(days=1)
    for batch in batches:
        seen += batch
        now += timedelta(minutes=1)
        result = step(FILLED, list(known.values()), [judged(seen)], "J1", now)
        known |= {alert.fingerprint: alert for alert in result.alerts}
    alert = next(iter(known.values()), None)
    return alert is not None and alert.status in OPEN, alert.pending_since if alert is not None else None


@given(st.lists(st.booleans(), min_size=1, max_size=20), st.data())
@CALM
def test_the_order_of_arrival_does_not_change_the_final_state(wet: list[bool], data: st.DataObject) -> None:
    """Once the last state of the wall has lasted as long as the hold times: until then an alert that opened on the
    way may still be waiting to clear, which a backlog that arrives at once never opened."""
    history = [*wet, *[wet[-1]] * 4]
    readings = [(10 * n, w) for n, w in enumerate(history)]
    shuffled = data.draw(st.permutations(readings))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(readings)), max_size=6)) | {len(readings)})
    batches = [shuffled[a:b] for a, b in zip([0, *cuts], cuts, strict=False)]
    one_by_one = [[reading] for reading in readings]
    assert end_state(batches)[0] == end_state(one_by_one)[0] == wet[-1]


# --- the whole way --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def db() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


NIGHTS = [{"start": "22:00", "end": "06:00"}]
TEAM = settings(
    people=[person(), person("bo", quiet=NIGHTS), person("cy", quiet=NIGHTS)],
    routes=[{"people": ["anna", "bo"], "escalations": [{"after_s": 1800, "people": ["cy"]}]}],
    group_wait_s=60,
    group_interval_s=600,
    remind_s=7200,
    retry_first_s=300,
    retry_cap_s=300,
    give_up_after_s=30 * 86_400,
)
QUICK = AlertRules([RULE.model_copy(update={"hold_s": 0.0, "clear_hold_s": 0.0, "minimum_readings": 1})])
LOCATIONS = ("north", "south")


@dataclass
class Day:
    """A day in the life of two walls and three people, action by action."""

    db: Database

    def __post_init__(self) -> None:
        empty(self.db)
        self.clock, self.tape = HandClock(), Tape()
        with self.db.write() as conn:
            stored_jobs.apply_job(conn, job())
        self.restart()

    def restart(self) -> None:
        self.dispatcher = Dispatcher(self.db, {"mail": self.tape}, self.clock, TEAM, LongestPause(), workers=1)

    def act(self, action: tuple[str, Any], minutes: int) -> None:
        self.clock.forward(minutes=minutes)
        getattr(self, f"do_{action[0]}")(action[1])
        self.round()

    def round(self) -> None:
        enqueue_news(self.db, TEAM, QUICK, self.clock.now())
        self.dispatcher.run_once()

    def do_value(self, what: tuple[str, float | None]) -> None:
        location, value = what
        now = self.clock.now()
        with self.db.write() as conn:
            known = stored_alerts.current_alerts(conn, "J1")
            keep(conn, step(QUICK, known, [finding(location, now, value)], "J1", now))

    def do_acknowledge(self, location: str) -> None:
        print_ = fingerprint("J1", "condensation", location, None)
        with self.db.write() as conn:
            if stored_alerts.get_alert(conn, print_) is not None:
                acknowledge_alert(conn, print_, None, "Anna", "", self.clock.now())

    def do_mute(self, minutes: int) -> None:
        now = self.clock.now()
        with self.db.write() as conn:
            matcher = Matcher(label=MatchLabel.JOB, pattern="J1")
            mute(conn, [matcher], now, now + timedelta(minutes=minutes), "Anna", "x", now)

    def do_end(self, why: str) -> None:
        with self.db.write() as conn:
            end_alerts_of_job(conn, "J1", self.clock.now(), why)

    def do_restart(self, _: None) -> None:
        self.dispatcher.stop(1)
        self.restart()

    def do_channel(self, works: bool) -> None:
        self.tape.instead = None if works else refuse

    def do_nothing(self, _: None) -> None:
        """Time passes."""

    def finish(self) -> None:
        """Everything is well again, and everyone awake."""
        self.tape.instead = None
        self.do_end("the end")
        for _ in range(13):
            self.clock.forward(hours=2)
            self.round()
        self.dispatcher.stop(1)


actions = st.one_of(
    st.tuples(st.just("value"), st.tuples(st.sampled_from(LOCATIONS), st.sampled_from([0.1, 0.6, 0.95, None]))),
    st.tuples(st.just("acknowledge"), st.sampled_from(LOCATIONS)),
    st.tuples(st.just("mute"), st.integers(10, 300)),
    st.tuples(st.just("end"), st.just("the job was paused")),
    st.tuples(st.just("restart"), st.none()),
    st.tuples(st.just("channel"), st.booleans()),
    st.tuples(st.just("nothing"), st.none()),
)
days = st.lists(st.tuples(actions, st.integers(0, 240)), min_size=1, max_size=15)


@given(days)
@effort(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_each_person_hears_each_episode_begin_once_and_end_once_and_in_that_order(
    db: Database, day: list[tuple[tuple[str, Any], int]]
) -> None:
    world = Day(db)
    for action, minutes in day:
        world.act(action, minutes)
    world.finish()
    heard: dict[tuple[str, str, int], list[NotificationReason]] = {}
    for message in world.tape.sent:
        for item in message.items:
            if not item.subject.startswith("mute:"):
                heard.setdefault((message.person, item.subject, item.episode), []).append(item.news)
    for who, news in heard.items():
        if news == [NotificationReason.MISSED]:
            continue
        counts = Counter(news)
        assert counts[NotificationReason.OPENED] + counts[NotificationReason.ESCALATED] == 1, (who, news)
        assert news[0] in (NotificationReason.OPENED, NotificationReason.ESCALATED), (who, news)
        assert counts[NotificationReason.CLOSED] == 1, (who, news)
        assert news[-1] is NotificationReason.CLOSED, (who, news)
    assert len({message.id for message in world.tape.sent}) == len(world.tape.sent), "the same message twice"
    with db.read() as conn:
        assert stored_alerts.alerts_to_consider(conn, world.clock.now()) == ([], frozenset()), (
            "someone is still owed a word"
        )
