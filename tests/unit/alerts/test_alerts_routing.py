"""The decisions before a message: hours, routes, mutes, inhibition, deduplication, grouping."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from alerts_support import T0, after, alert, closed, person, settings
from pydantic import ValidationError

from monitord.alerts.routing.deduplication import Blocked, SentRecord, decide
from monitord.alerts.routing.grouping import Piece, group
from monitord.alerts.routing.inhibition import FROM_READINGS, INHIBITIONS, inhibited
from monitord.alerts.routing.mutes import MuteState, covers, muted, state_of
from monitord.alerts.routing.routes import Recipient, recipients
from monitord.alerts.routing.time_intervals import covering, last_time
from monitord.model.alerts import Alert, AlertStatus, Severity
from monitord.model.assessments import Facts
from monitord.model.config.alert_settings import AlertSettings, Day, MaintenanceWindow, Person, TimeInterval
from monitord.model.facts import Truth
from monitord.model.messages import Matcher, MatchLabel, Mute, NotificationReason

HELSINKI = ZoneInfo("Europe/Helsinki")
UTC_ZONE = ZoneInfo("UTC")


def local(text: str, zone: ZoneInfo = HELSINKI) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC)


# --- hours ----------------------------------------------------------------------------------------------------

NIGHT = TimeInterval.model_validate({"start": "22:00", "end": "07:00"})


@pytest.mark.parametrize(
    ("at", "until"),
    [
        ("2025-03-01T21:59", None),
        ("2025-03-01T22:00", "2025-03-02T07:00"),  # the beginning belongs to it
        ("2025-03-02T03:00", "2025-03-02T07:00"),  # over midnight
        ("2025-03-02T07:00", None),  # the end does not
        ("2025-03-30T02:30", "2025-03-30T07:00"),  # in the night without an hour from three to four
        ("2025-10-26T03:30", "2025-10-26T07:00"),  # in the night with that hour twice
    ],
)
def test_quiet_hours_keep_their_wall_clock_times(at: str, until: str | None) -> None:
    """The changes of 2025 in the European Union: 30 March and 26 October, at 01:00 UTC (IANA time zone database)."""
    assert covering([NIGHT], HELSINKI, local(at)) == (local(until) if until else None)


def test_a_night_belongs_to_the_day_it_begins_on() -> None:
    friday = TimeInterval.model_validate({"start": "22:00", "end": "07:00", "days": ["fri"]})
    assert covering([friday], HELSINKI, local("2025-03-01T03:00")) == local("2025-03-01T07:00")
    assert covering([friday], HELSINKI, local("2025-02-28T03:00")) is None


def test_spans_that_touch_are_one() -> None:
    weekend = TimeInterval.model_validate({"start": "07:00", "end": "22:00", "days": ["sat", "sun"]})
    assert covering([NIGHT, weekend], HELSINKI, local("2025-02-28T23:00")) == local("2025-03-03T07:00")


def test_all_day_is_a_span_of_a_day_and_never_loops() -> None:
    always = TimeInterval.model_validate({"start": "00:00", "end": "00:00"})
    until = covering([always], HELSINKI, local("2025-03-01T12:00"))
    assert until is not None
    assert until > local("2025-03-01T12:00")


def test_the_last_time_of_a_clock_time_is_found_over_days_off() -> None:
    seven = NIGHT.end
    workdays = [Day.MON, Day.TUE, Day.WED, Day.THU, Day.FRI]
    assert last_time(seven, workdays, HELSINKI, local("2025-03-02T12:00")) == local("2025-02-28T07:00")
    assert last_time(seven, tuple(Day), HELSINKI, local("2025-03-02T06:59")) == local("2025-03-01T07:00")
    assert last_time(seven, [], HELSINKI, local("2025-03-02T06:59")) is None


# --- mutes ----------------------------------------------------------------------------------------------------


def mute(label: str = "job", pattern: str = "J1", start: float = 0, end: float = 60, **change: object) -> Mute:
    made = {
        "id": "k",
        "matchers": [Matcher(label=MatchLabel(label), pattern=pattern)],
        "start": after(start),
        "end": after(end),
        "author": "Anna",
        "comment": "painters",
        "created_at": after(start),
    }
    return Mute.model_validate(made | change)


def test_a_mutes_state_follows_from_the_time_alone() -> None:
    states = [state_of(mute(start=10, end=20), after(m)) for m in (9, 10, 19, 20)]
    assert states == [MuteState.SCHEDULED, MuteState.ACTIVE, MuteState.ACTIVE, MuteState.ENDED]
    early = mute(ended_at=after(5), ended_by="Bo")
    assert state_of(early, after(5)) is MuteState.ENDED


@pytest.mark.parametrize(
    ("label", "pattern", "hit"),
    [
        ("job", "J1", True),
        ("job", "J2", False),
        ("job", "J*", True),
        ("kind", "cond*", True),
        ("location", "north", True),
        ("location", "nor", False),
        ("severity", "watch", True),
        ("probe", "p1", False),  # the alert names no probe
        ("gateway", "?*", False),
    ],
)
def test_a_mute_covers_what_its_matchers_say(label: str, pattern: str, hit: bool) -> None:
    assert covers(mute(label, pattern), alert()) is hit


def test_all_matchers_must_fit() -> None:
    both = [Matcher(label=MatchLabel.JOB, pattern="J1"), Matcher(label=MatchLabel.KIND, pattern="mould")]
    assert not covers(mute(matchers=both), alert())
    assert covers(mute(matchers=both), alert("mould"))


@pytest.mark.parametrize(
    "change",
    [{"end": -5}, {"author": ""}, {"comment": ""}, {"matchers": []}, {"matchers": [{"label": "job", "pattern": "*"}]}],
)
def test_a_mute_needs_an_end_an_author_a_comment_and_something_it_is_about(change: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        mute(**change)  # type: ignore[arg-type]


def test_of_several_mutes_the_longest_counts() -> None:
    hit = muted(alert(), [mute(end=60), mute(end=90)], [], HELSINKI, after(1))
    assert hit is not None
    assert hit.until == after(90)
    assert "Anna" in hit.reason
    assert "painters" in hit.reason


def test_a_maintenance_window_needs_an_end_or_hours() -> None:
    with pytest.raises(ValidationError, match="needs a start and an end, or hours"):
        MaintenanceWindow.model_validate({"comment": "works", "start": T0})


# --- inhibition -----------------------------------------------------------------------------------------------


def test_no_alert_inhibits_itself_and_no_two_each_other() -> None:
    sources = {rule.source: rule.targets for rule in INHIBITIONS}
    for source, targets in sources.items():
        seen, front = set(), set(targets)
        while front:
            seen |= front
            front = {t for s in front if s in sources for t in sources[s]} - seen
        assert source not in seen, f"{source} comes back to itself"


@pytest.mark.parametrize("kind", sorted(FROM_READINGS))
def test_a_faulty_probe_keeps_all_it_would_say_from_being_told(kind: str) -> None:
    fault = alert("probe_fault", probe="p1")
    found = inhibited([fault, alert(kind), alert(kind, "south")], T0)
    assert list(found) == [alert(kind).fingerprint]
    assert found[alert(kind).fingerprint].by == fault.fingerprint
    assert found[alert(kind).fingerprint].reason


def test_a_probe_that_only_loses_readings_is_still_believed() -> None:
    fault = alert("probe_fault", probe="p1")
    fault = fault.model_copy(update={"finding": fault.finding.model_copy(update={"facts": Facts(excluded=False)})})
    assert inhibited([fault, alert()], T0) == {}
    easing = fault.model_copy(
        update={
            "clearing_since": T0,
            "worst": fault.finding,
            "finding": fault.finding.model_copy(update={"truth": Truth.FALSE, "facts": Facts()}),
        }
    )
    assert inhibited([easing, alert()], T0) == {}, "what was wrong is asked of the worst while it eases"


def test_another_probe_at_the_same_place_is_not_to_blame() -> None:
    fault = alert("probe_fault", probe="p1")
    assert inhibited([fault, alert(probe="p2")], T0) == {}


def test_its_battery_is_still_told_when_a_probe_goes_silent() -> None:
    battery = alert("low_battery", probe="p1")
    assert inhibited([alert("probe_silent", probe="p1"), battery], T0) == {}


def test_a_pending_alert_explains_nothing() -> None:
    pending = alert("probe_fault", probe="p1", status=AlertStatus.PENDING, opened_at=None)
    assert inhibited([pending, alert()], T0) == {}


def test_a_silent_gateway_explains_its_probes_in_every_job_by_what_they_were_last_heard_through() -> None:
    gateway = alert("gateway_silent", None, gateway="g1")
    first, there = alert("probe_silent", probe="p1"), alert("probe_silent", probe="p2", job="J2")
    other = alert("probe_silent", probe="p3")
    found = inhibited([gateway, first, there, other], T0, {"p1": "g1", "p2": "g1", "p3": "g2"})
    assert set(found) == {first.fingerprint, there.fingerprint}


def test_an_inhibition_lingers_after_its_cause_and_then_ends() -> None:
    gateway = alert("gateway_silent", None, gateway="g1", status=AlertStatus.CLOSED, closed_at=T0)
    probe = alert("probe_silent", probe="p1", gateway="g1")
    assert probe.fingerprint in inhibited([gateway, probe], after(59))
    assert inhibited([gateway, probe], after(61)) == {}


# --- routes ---------------------------------------------------------------------------------------------------


def routed(one: Alert, told_first: datetime | None = None, at: datetime = T0, **change: object) -> dict[str, Recipient]:
    three = [person("anna"), person("bo"), person("cy")]
    found = recipients(one, settings(people=three, **change), HELSINKI, at, told_first)
    return {recipient.person.id: recipient for recipient in found}


def test_an_alert_that_no_route_fits_goes_to_everyone_and_says_so() -> None:
    found = routed(alert(), routes=[{"jobs": ["J9"], "people": ["anna"]}])
    assert set(found) == {"anna", "bo", "cy"}
    assert "no route fits" in found["bo"].reason


def test_a_route_to_nobody_is_still_a_route() -> None:
    assert routed(alert(), routes=[{"people": []}]) == {}


def test_routes_add_up_until_one_is_the_last() -> None:
    routes = [{"people": ["anna"]}, {"kinds": ["cond*"], "people": ["bo"], "last": True}, {"people": ["cy"]}]
    assert set(routed(alert(), routes=routes)) == {"anna", "bo"}
    assert set(routed(alert("mould"), routes=routes)) == {"anna", "cy"}


def test_the_shortest_reminder_time_of_a_persons_routes_counts() -> None:
    routes = [{"people": ["anna"], "remind_s": 7200}, {"people": ["anna"], "remind_s": 3600}]
    assert routed(alert(), routes=routes)["anna"].remind_s == 3600


def test_who_is_routed_to_directly_is_not_told_as_the_next_person() -> None:
    routes = [{"people": ["anna"], "escalations": [{"after_s": 600, "people": ["bo", "cy"]}]}, {"people": ["bo"]}]
    found = routed(alert(), told_first=T0, at=after(11), routes=routes)
    assert (found["bo"].escalated, found["cy"].escalated) == (False, True)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"remind_s": 30.0}, "remind_s 30 is shorter than group_interval_s 60"),
        ({"routes": [{"people": ["anna"], "remind_s": 30}]}, "remind_s of route number 1"),
        ({"routes": [{"people": ["zoe"]}]}, "names 'zoe', who is not among the people"),
        ({"people": [{"id": "anna", "ways": [{"channel": "sms"}]}]}, "'sms', which is not there"),
        ({"channels": [{"name": "mail", "url": "mailto://h?to={address}"}]}, "has no address for channel 'mail'"),
        ({"people": [person(), person()]}, "person 'anna' is there twice"),
        ({"people": [{"id": "anna", "ways": []}]}, "at least 1 item"),
        ({"people": [{"id": "anna", "timezone": "Mars", "ways": [{"channel": "mail"}]}]}, "not an IANA time zone"),
        ({"people": [{"id": "a", "ways": [{"channel": "mail"}], "digest_at": "7 o'clock"}]}, "not a time of day"),
        (
            {"routes": [{"escalations": [{"after_s": 900, "people": ["anna"]}, {"after_s": 600, "people": ["anna"]}]}]},
            "not in order of time",
        ),
        ({"grup_wait_s": 3}, "Extra inputs"),
    ],
)
def test_settings_that_can_not_be_kept_are_refused(change: dict[str, object], problem: str) -> None:
    with pytest.raises(ValidationError, match=problem):
        settings(**change)


# --- deduplication: one row, one promise ----------------------------------------------------------------------

TOLD = SentRecord(
    first_at=T0,
    last_at=T0,
    severity=Severity.WATCH,
    closed=False,
    on_its_way=False,
    counts={NotificationReason.OPENED: 1},
    channels=frozenset({"mail"}),
)
TOLD_CLOSED = SentRecord(
    T0,
    after(31),
    Severity.WATCH,
    True,
    False,
    {NotificationReason.OPENED: 1, NotificationReason.CLOSED: 1},
    frozenset({"mail"}),
)
ON_ITS_WAY = SentRecord(T0, T0, Severity.WATCH, False, True, {NotificationReason.OPENED: 1}, frozenset({"mail"}))
MUTED = Blocked("muted", after(600))
ACKED = alert(status=AlertStatus.ACKNOWLEDGED, acknowledged_by="Bo")
ACT = alert(severity=Severity.ACT, severity_since=after(20))
SLEEPER = person(quiet=[{"start": "13:00", "end": "16:00"}])  # in Helsinki: 11:00 to 14:00 UTC, so T0 is quiet
URGENT_ONLY = person(ways=[{"channel": "mail", "min_severity": "act"}])

ROWS: list[
    tuple[str, Alert, Person, bool, SentRecord | None, Blocked | None, float, NotificationReason | None, bool]
] = [
    # what, alert, person, routed to them, told, blocked, minutes, news, final
    ("open and not told: tell", alert(), person(), True, None, None, 1, NotificationReason.OPENED, False),
    ("told: nothing new", alert(), person(), True, TOLD, None, 10, None, False),
    ("told long ago: remind", alert(), person(), True, TOLD, None, 720, NotificationReason.REMINDER, False),
    (
        "told long ago as a note: never remind",
        alert(severity=Severity.NOTE),
        person(),
        True,
        TOLD,
        None,
        9999,
        None,
        False,
    ),
    ("told long ago but acknowledged: no reminder", ACKED, person(), True, TOLD, None, 9999, None, False),
    ("the first word not out yet: no reminder on top", alert(), person(), True, ON_ITS_WAY, None, 9999, None, False),
    ("worse than told: tell", ACT, person(), True, TOLD, None, 21, NotificationReason.RAISED, False),
    ("acknowledged before it was told: nothing", ACKED, person(), True, None, None, 1, None, False),
    ("muted: nothing", alert(), person(), True, None, MUTED, 1, None, False),
    ("told and muted: no reminder", alert(), person(), True, TOLD, MUTED, 9999, None, False),
    ("quiet hours: wait", alert(), SLEEPER, True, None, None, 1, None, False),
    ("quiet hours, urgent: tell", ACT, SLEEPER, True, None, None, 1, NotificationReason.OPENED, False),
    ("quiet hours over: tell", alert(), SLEEPER, True, None, None, 120, NotificationReason.OPENED, False),
    ("none of their ways takes it: nothing", alert(), URGENT_ONLY, True, None, None, 1, None, False),
    ("no route leads to them: nothing", alert(), person(), False, None, None, 1, None, False),
    ("closed, told open: tell the end", closed(), person(), True, TOLD, None, 31, NotificationReason.CLOSED, False),
    (
        "closed, told open, muted: tell the end",
        closed(),
        person(),
        True,
        TOLD,
        MUTED,
        31,
        NotificationReason.CLOSED,
        False,
    ),
    (
        "closed, told open, no longer routed: tell the end",
        closed(),
        person(),
        False,
        TOLD,
        None,
        31,
        NotificationReason.CLOSED,
        False,
    ),
    ("closed, told open, quiet: wait", closed(), SLEEPER, True, TOLD, None, 31, None, False),
    ("closed, told closed: for ever nothing", closed(), person(), True, TOLD_CLOSED, None, 99, None, True),
    ("closed, never told: for ever nothing", closed(), person(), True, None, None, 31, None, True),
    ("came and went in quiet hours: wait for their end", closed(), SLEEPER, True, None, None, 60, None, False),
    (
        "came and went in quiet hours, now over: report",
        closed(),
        SLEEPER,
        True,
        None,
        None,
        121,
        NotificationReason.MISSED,
        False,
    ),
    ("came and went in quiet hours, muted: nothing", closed(), SLEEPER, True, None, MUTED, 121, None, True),
    ("came and went in quiet hours long ago: nothing", closed(), SLEEPER, True, None, None, 9999, None, True),
]


@pytest.mark.parametrize(
    ("one", "who", "is_routed", "told", "blocked", "minute", "news", "final"),
    [row[1:] for row in ROWS],
    ids=[row[0] for row in ROWS],
)
def test_one_person_and_one_episode(
    one: Alert,
    who: Person,
    is_routed: bool,
    told: SentRecord | None,
    blocked: Blocked | None,
    minute: float,
    news: NotificationReason | None,
    final: bool,
) -> None:
    recipient = Recipient(who, 12 * 3600, "a route") if is_routed else None
    verdict = decide(one, who, recipient, told, blocked, after(minute))
    assert (None if verdict.soon else verdict.news) == news
    assert verdict.final is final
    assert verdict.reason


def test_the_next_reminder_is_known() -> None:
    verdict = decide(alert(), person(), Recipient(person(), 3600, ""), TOLD, None, after(10))
    assert verdict.due_at == after(60)


# --- grouping -------------------------------------------------------------------------------------------------

WAITING = {"group_wait_s": 60, "group_interval_s": 300}


def piece(
    job: str = "J1",
    minute: float = 0,
    news: NotificationReason = NotificationReason.OPENED,
    soon: bool = False,
    **change: object,
) -> Piece:
    return Piece(alert(job=job, **change), news, after(minute), soon, "")  # type: ignore[arg-type]


def groups(
    pieces: list[Piece], at: float, last: dict[str, datetime] | None = None, **change: object
) -> list[tuple[str, int]]:
    rules: AlertSettings = settings(**(WAITING | change))
    return [(b.group, len(b.pieces)) for b in group(pieces, last or {}, rules, after(at)).bundles]


def test_the_first_news_waits_for_others() -> None:
    two = [piece(minute=0), piece(minute=0.9, location="south")]
    assert groups(two, 0.9) == []
    assert groups(two, 1) == [("J1", 2)]


def test_after_a_message_the_next_keeps_its_distance() -> None:
    assert groups([piece(minute=2)], 4.9, {"J1": T0}) == []
    assert groups([piece(minute=2)], 5, {"J1": T0}) == [("J1", 1)]
    assert groups([piece(minute=2)], 3, {"J2": T0}) == [("J1", 1)], "the distance is kept job by job"


def test_many_jobs_become_one_message_with_those_that_still_wait() -> None:
    many = [piece(f"J{n}", minute=n / 10) for n in range(1, 8)]
    assert groups(many, 1.2) == [("*", 7)]
    assert groups(many[:3], 1.5) == [("J1", 1), ("J2", 1), ("J3", 1)]


def test_after_one_message_about_many_jobs_the_next_keeps_its_distance() -> None:
    assert groups([piece("J9", minute=1)], 2, {"*": after(1)}) == []


def test_a_reminder_that_is_not_due_goes_only_with_one_that_is() -> None:
    soon = piece(minute=10, soon=True, news=NotificationReason.REMINDER)
    assert groups([soon], 20) == []
    assert groups([soon, piece(minute=1, news=NotificationReason.REMINDER, location="south")], 20) == [("J1", 2)]


def test_what_is_urgent_stands_first_and_what_is_over_last() -> None:
    over, watch = piece(minute=0, news=NotificationReason.CLOSED), piece(minute=1, location="south")
    urgent = piece(minute=2, location="east", severity=Severity.ACT)
    (bundle,) = group([over, watch, urgent], {}, settings(**WAITING), after(9)).bundles
    assert [p.alert.location for p in bundle.pieces] == ["east", "south", "north"]


def test_the_time_until_which_news_waits_is_known() -> None:
    assert group([piece(minute=2)], {"J1": T0}, settings(**WAITING), after(3)).waiting == {"J1": after(5)}
