"""The life of an alert: each test's name is one promise of `monitord.alerts.lifecycle.engine.step`."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest
from alerts_support import alert

from monitord.alerts.lifecycle.engine import StepResult, step
from monitord.alerts.lifecycle.rules import AlertRules, Override, Rule, SeverityStep
from monitord.alerts.lifecycle.transitions import Action, acknowledge, end_alerts, retire
from monitord.model.alerts import Alert, AlertStatus, Severity
from monitord.model.assessments import Finding
from monitord.model.jobs import JobFile

START = datetime(2025, 3, 1, 12, tzinfo=UTC)
STEPS = (SeverityStep(raise_at=0.9, clear_at=0.7, severity=Severity.ACT),)


def rule(**change: object) -> Rule:
    base: dict[str, object] = {"kind": "condensation", "unit": "1", "raise_at": 0.5, "clear_at": 0.3}
    return Rule.model_validate(base | change)


def minutes(count: float) -> datetime:
    return START + timedelta(minutes=count)


@dataclass
class Site:
    """One alert, stepped on by hand."""

    rule: Rule
    alerts: dict[str, Alert] = field(default_factory=dict)
    events: list[str] = field(default_factory=list)
    last: StepResult = field(default_factory=StepResult)

    def at(self, minute: float, value: float | None, arrives: float | None = None, **finding: object) -> str:
        """Step with one value measured at `minute`; the status after it, or `none`."""
        entry = {"kind": "condensation", "location": "north", "probe": None, "unit": "1"} | finding
        measured = Finding.model_validate({"measured_at": minutes(minute), "value": value} | entry)
        as_of = minutes(minute if arrives is None else arrives)
        self.last = step(AlertRules([self.rule]), list(self.alerts.values()), [measured], "J1", as_of)
        self.keep(self.last)
        return self.status

    def keep(self, result: StepResult) -> None:
        self.alerts |= {alert.fingerprint: alert for alert in result.alerts}
        self.events += [event.event for event in result.events]

    @property
    def alert(self) -> Alert:
        (only,) = self.alerts.values()
        return only

    @property
    def status(self) -> str:
        return str(self.alert.status) if self.alerts else "none"

    @property
    def reason(self) -> str:
        (decision,) = self.last.decisions.values()
        return decision.reason


def test_it_opens_at_the_raise_limit_and_not_below() -> None:
    site = Site(rule())
    assert site.at(0, 0.499) == "none"
    assert site.at(1, 0.5) == "open"
    assert site.alert.opened_at == minutes(1)


def test_between_the_limits_an_open_alert_stays_open_and_a_closed_one_closed() -> None:
    site = Site(rule())
    assert site.at(0, 0.4) == "none"
    site.at(1, 0.6)
    assert site.at(2, 0.31) == "open"
    assert site.at(3, 0.29) == "closed"
    assert site.at(4, 0.49) == "closed"


def test_a_rule_for_low_values_looks_the_other_way() -> None:
    site = Site(rule(above=False, raise_at=2.5, clear_at=2.7, unit="V"))
    assert [site.at(m, v) for m, v in enumerate((2.6, 2.5, 2.7, 2.71, 2.6))] == [
        "none", "open", "open", "closed", "closed",
    ]  # fmt: skip


def test_it_waits_for_the_hold_time_of_the_measurements() -> None:
    site = Site(rule(hold_s=1800))
    assert [site.at(m, 0.8) for m in (0, 10, 20, 29)] == ["pending"] * 4
    assert site.at(30, 0.8) == "open"
    assert site.alert.pending_since == minutes(0)


def test_the_time_of_arrival_counts_for_nothing() -> None:
    site = Site(rule(hold_s=1800))
    site.at(0, 0.8)
    assert site.at(10, 0.8, arrives=300) == "pending"
    assert site.at(30, 0.8, arrives=301) == "open"


def test_the_same_measurement_assessed_again_is_not_another_reading() -> None:
    site = Site(rule(minimum_readings=3))
    assert [site.at(0, 0.8, arrives=m) for m in (0, 30, 60)] == ["pending"] * 3
    assert [site.at(m, 0.8) for m in (61, 62)] == ["pending", "open"]


def test_two_readings_far_apart_do_not_satisfy_a_hold_time_that_needs_three() -> None:
    site = Site(rule(hold_s=1800, minimum_readings=3))
    site.at(0, 0.8)
    assert site.at(40, 0.8) == "pending"
    assert "2 of 3" in site.reason
    assert site.at(50, 0.8) == "open"


def test_a_value_that_rests_on_many_readings_brings_them_along() -> None:
    site = Site(rule(minimum_readings=3))
    assert site.at(0, 0.8, readings=3) == "open"


def test_a_value_back_under_the_limit_ends_pending_without_an_event() -> None:
    site = Site(rule(hold_s=1800))
    site.at(0, 0.8)
    assert site.at(10, 0.49) == "closed"
    assert site.alert.opened_at is None
    assert site.events == []
    site.at(20, 0.8)
    assert site.alert.episode == 1, "an episode that never opened is not counted"


def test_a_gap_longer_than_allowed_starts_the_hold_time_again() -> None:
    site = Site(rule(hold_s=1800, max_gap_s=3600))
    site.at(0, 0.8)
    assert site.at(61, 0.8) == "pending"
    assert site.alert.pending_since == minutes(61)
    assert site.at(91, 0.8) == "open"


def test_a_gap_just_as_long_as_allowed_counts_as_held() -> None:
    site = Site(rule(hold_s=1800, max_gap_s=3600))
    site.at(0, 0.8)
    assert site.at(60, 0.8) == "open"


def test_a_slow_probe_is_measured_by_its_own_interval() -> None:
    site = Site(rule(hold_s=1800, max_gap_s=3600))
    site.at(0, 0.8, interval_s=6 * 3600)
    assert site.at(360, 0.8, interval_s=6 * 3600) == "open"


def test_queued_readings_fill_a_gap_by_the_findings_own_since() -> None:
    site = Site(rule(hold_s=1800, max_gap_s=3600, since_fills_hold=True))
    assert site.at(600, 0.8, since=minutes(580)) == "pending"
    assert site.at(900, 0.8, since=minutes(580)) == "open"
    assert site.alert.pending_since == minutes(580)


def test_unknown_raises_nothing_and_closes_nothing() -> None:
    site = Site(rule())
    assert site.at(0, None) == "none"
    site.at(1, 0.8)
    assert [site.at(m, None) for m in (2, 500, 5000)] == ["open"] * 3
    assert site.alert.unknown_since == minutes(2)
    assert site.events == ["opened", "unknown"]
    assert site.at(5001, 0.8) == "open"
    assert site.events[-1] == "known_again"
    assert site.alert.unknown_since is None


def test_not_a_number_is_unknown() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    assert site.at(1, float("nan")) == "open"
    assert site.alert.unknown_since is not None


def test_unknown_holds_pending_and_the_missing_time_does_not_count() -> None:
    site = Site(rule(hold_s=3600, max_gap_s=1800))
    site.at(0, 0.8)
    assert site.at(10, None) == "pending"
    assert site.at(70, 0.8) == "pending"
    assert site.alert.pending_since == minutes(70)


def test_the_value_that_is_shown_is_the_last_known_one() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    site.at(1, None)
    assert site.alert.finding.value == 0.8


def test_it_closes_only_after_the_clear_hold_time() -> None:
    site = Site(rule(clear_hold_s=3600))
    site.at(0, 0.8)
    assert [site.at(m, 0.1) for m in (10, 40, 69)] == ["open"] * 3
    assert site.alert.clearing_since == minutes(10)
    assert site.at(70, 0.1) == "closed"
    assert site.alert.closed_at == minutes(70)
    assert site.alert.closing_reason == "10 % is past the clear limit 30 %, held 60 min"


def test_one_value_over_the_clear_limit_starts_clearing_again() -> None:
    site = Site(rule(clear_hold_s=3600))
    site.at(0, 0.8)
    site.at(10, 0.1)
    site.at(60, 0.35)
    assert site.at(71, 0.1) == "open"
    assert site.at(131, 0.1) == "closed"


def test_time_without_values_does_not_count_as_clear() -> None:
    site = Site(rule(clear_hold_s=3600, max_gap_s=1800))
    site.at(0, 0.8)
    site.at(10, 0.1)
    assert site.at(100, 0.1) == "open"
    assert site.alert.clearing_since == minutes(100)


def test_another_opening_is_another_episode_of_the_same_alert() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    first = site.alert
    site.at(1, 0.1)
    site.at(2, 0.8)
    assert site.alert.fingerprint == first.fingerprint
    assert (first.episode, site.alert.episode) == (1, 2)
    assert site.events == ["opened", "closed", "opened"]


def test_identity_holds_no_value_text_or_time() -> None:
    site = Site(rule())
    site.at(0, 0.8, facts={"chance": 0.8})
    site.at(1, 0.9, facts={"chance": 0.9}, gateway="g2")
    assert len(site.alerts) == 1


def test_old_news_does_not_open_or_move_anything() -> None:
    site = Site(rule())
    site.at(100, 0.8)
    assert site.at(50, 0.1, arrives=101) == "open"
    assert "not news" in site.reason
    site.at(110, 0.1)
    assert site.at(105, 0.9, arrives=111) == "closed"
    assert site.events == ["opened", "closed"]


def test_severity_rises_at_once_and_falls_only_past_its_own_clear_limit() -> None:
    site = Site(rule(severity_steps=STEPS))
    site.at(0, 0.6)
    seen = []
    for minute, value in enumerate((0.89, 0.9, 0.71, 0.69, 0.85), start=1):
        site.at(minute, value)
        seen.append(str(site.alert.severity))
    assert seen == ["watch", "act", "act", "watch", "watch"]
    assert site.events == ["opened", "severity_raised", "severity_lowered"]


def test_an_alert_can_open_at_its_higher_severity() -> None:
    site = Site(rule(severity_steps=STEPS))
    site.at(0, 0.95)
    assert site.alert.severity is Severity.ACT
    assert site.events == ["opened"]


def test_acknowledging_holds_for_the_episode_and_keeps_name_and_note() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    site.keep(acknowledge(site.alert, "Anna", "fan switched on", minutes(5)))
    assert site.at(6, 0.8) == "acknowledged"
    assert (site.alert.acknowledged_by, site.alert.acknowledgement_note) == ("Anna", "fan switched on")
    assert site.at(7, 0.1) == "closed"
    assert site.at(8, 0.8) == "open"
    assert site.alert.acknowledged_by is None


def test_acknowledging_twice_or_too_late_changes_nothing_and_says_why() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    site.keep(acknowledge(site.alert, "Anna", "", minutes(1)))
    again = acknowledge(site.alert, "Bo", "", minutes(2))
    assert again.alerts == []
    assert "acknowledged" in next(iter(again.decisions.values())).reason
    site.at(3, 0.1)
    assert acknowledge(site.alert, "Bo", "", minutes(4)).alerts == []


def test_a_rise_in_severity_ends_the_acknowledgement() -> None:
    site = Site(rule(severity_steps=STEPS))
    site.at(0, 0.6)
    site.keep(acknowledge(site.alert, "Anna", "", minutes(1)))
    assert site.at(2, 0.95) == "open"
    assert site.events[-2:] == ["severity_raised", "acknowledgement_ended"]


def test_an_alert_that_comes_and_goes_closes_only_after_a_longer_time_clear() -> None:
    site = Site(rule(flap_openings=3, flap_window_s=86_400, flap_clear_hold_s=4 * 3600))
    for n in range(2):
        site.at(20 * n, 0.8)
        assert site.at(20 * n + 10, 0.1) == "closed"
    site.at(40, 0.8)
    assert site.events[-2:] == ["opened", "comes_and_goes"]
    assert site.at(50, 0.1) == "open"
    assert site.at(50 + 239, 0.1, interval_s=18_000) == "open"
    assert site.at(50 + 240, 0.1, interval_s=18_000) == "closed"


def test_openings_outside_the_window_are_forgotten() -> None:
    site = Site(rule(flap_openings=2, flap_window_s=3600))
    site.at(0, 0.8)
    site.at(1, 0.1)
    site.at(120, 0.8)
    assert site.at(121, 0.1) == "closed"


@pytest.mark.parametrize("status", [AlertStatus.PENDING, AlertStatus.OPEN, AlertStatus.ACKNOWLEDGED])
def test_ending_a_job_ends_its_alerts_with_a_word_why(status: AlertStatus) -> None:
    site = Site(rule(hold_s=600))
    site.at(0, 0.8)
    if status is not AlertStatus.PENDING:
        site.at(10, 0.8)
    if status is AlertStatus.ACKNOWLEDGED:
        site.keep(acknowledge(site.alert, "Anna", "", minutes(11)))
    assert site.alert.status is status
    site.keep(end_alerts(site.alerts.values(), minutes(20), "the job was closed"))
    assert site.status == "closed"
    assert site.alert.closing_reason == "the job was closed"
    assert ("closed" in site.events) == (status is not AlertStatus.PENDING)
    assert end_alerts(site.alerts.values(), minutes(21), "again").alerts == []


def test_what_is_no_longer_there_ends_its_alerts_with_a_word_why() -> None:
    placement = {"id": "p1", "location_id": "north", "from": START}
    before = {"job": "J1", "start": START, "locations": [{"id": "north", "kind": "cavity"}], "probes": [placement]}
    site = Site(rule())
    site.at(0, 0.8, probe="p1")
    keep = JobFile.model_validate(before)
    assert retire(keep, site.alerts.values(), minutes(5)).alerts == []
    moved = JobFile.model_validate(before | {"probes": [placement | {"to": minutes(4)}]})
    (ended,) = retire(moved, site.alerts.values(), minutes(5)).alerts
    assert ended.closing_reason == "probe p1 is no longer at north"
    gone = JobFile.model_validate({"job": "J1", "start": START})
    (ended,) = retire(gone, site.alerts.values(), minutes(5)).alerts
    assert ended.closing_reason == "location north was taken out of the job"
    assert [e.event for e in retire(gone, site.alerts.values(), minutes(5)).events] == ["closed"]


def test_a_goal_or_check_that_was_taken_out_ends_what_rests_on_it() -> None:
    goal = {"metric": "rh_pct", "limit": 70}
    location = {"id": "north", "kind": "cavity"}
    placement = {"id": "p1", "location_id": "north", "from": START}
    base = {"job": "J1", "start": START, "locations": [location | {"goal": goal}]}
    with_all = JobFile.model_validate(base | {"probes": [placement | {"calibrated_at": START}]})
    without = JobFile.model_validate(base | {"locations": [location], "probes": [placement]})
    forecast_revisions = alert("forecast_slipping", "north")
    due = alert("calibration_due", "north", probe="p1")
    wet = alert("condensation", "north")
    assert retire(with_all, [forecast_revisions, due, wet], minutes(5)).alerts == []
    ended = {a.kind: a.closing_reason for a in retire(without, [forecast_revisions, due, wet], minutes(5)).alerts}
    assert ended == {
        "forecast_slipping": "location north has no goal any more",
        "calibration_due": "the job file tells of no check of probe p1 any more",
    }


def test_an_alert_whose_rule_is_switched_off_ends() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    site.rule = rule(enabled=False)
    assert site.at(1, 0.8) == "closed"
    assert "switched off" in (site.alert.closing_reason or "")


def test_a_kind_without_a_rule_is_passed_over() -> None:
    assert step(AlertRules([]), [], [_finding("north", 0.9)], "J1", START) == StepResult()


def test_an_alert_without_a_finding_is_held() -> None:
    site = Site(rule())
    site.at(0, 0.8)
    result = step(AlertRules([site.rule]), list(site.alerts.values()), [], "J1", minutes(10))
    assert result.alerts == []
    assert result.events == []


def _finding(location: str, value: float, minute: float = 0) -> Finding:
    return Finding(kind="condensation", location=location, measured_at=minutes(minute), value=value, unit="1")


def test_the_order_of_the_findings_changes_nothing() -> None:
    findings = [_finding(f"wall{n}", 0.1 * n) for n in range(10)]
    findings.append(_finding("wall9", 0.1, minute=-5))
    book = AlertRules([rule()])
    forth, back = (step(book, [], some, "J1", START) for some in (findings, findings[::-1]))
    assert forth.alerts == back.alerts
    assert forth.events == back.events
    assert len(forth.alerts) == 5


def test_each_job_and_each_place_has_its_own_alert() -> None:
    book = AlertRules([rule()])
    prints = {
        step(book, [], [_finding(location, 0.9)], job, START).alerts[0].fingerprint
        for location in ("north", "south")
        for job in ("J1", "J2")
    }
    assert len(prints) == 4


def test_an_override_counts_only_where_it_belongs() -> None:
    strict = Override(kind="condensation", job="J1", location="north", change={"raise_at": 0.95})
    book = AlertRules([rule()], [strict])
    opened = step(book, [], [_finding("north", 0.9), _finding("south", 0.9)], "J1", START).alerts
    assert [alert.location for alert in opened] == ["south"]


def test_every_finding_with_a_rule_gets_a_decision_with_a_reason() -> None:
    result = step(AlertRules([rule()]), [], [_finding("north", 0.9), _finding("south", 0.1)], "J1", START)
    assert sorted(d.action for d in result.decisions.values()) == [Action.NOTHING, Action.OPENED]
    assert all(d.reason for d in result.decisions.values())
