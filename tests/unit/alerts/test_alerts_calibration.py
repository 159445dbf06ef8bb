"""A probe's next check: found from the job file alone, told two weeks before, and over once the check is entered."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from alerts_support import job

from monitord.alerts.lifecycle.rule_files import default_rule_book, rule_book_of
from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.system.calibration import calibrations_due
from monitord.model.alerts import Alert
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.series import JobRecord
from monitord.pipeline import ReplaySession

CHECKED = datetime(2025, 1, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def house(**change: object) -> JobFile:
    """Two probes, of one of which the last check is known."""
    placements = [
        {"id": "p1", "location_id": "north", "from": CHECKED, "calibrated_at": CHECKED},
        {"id": "p2", "location_id": "south", "from": CHECKED},
    ]
    locations = [{"id": "north", "name": "North wall", "kind": "cavity"}, {"id": "south", "kind": "cavity"}]
    return job(**({"start": CHECKED, "locations": locations, "probes": placements} | change))


@pytest.mark.parametrize(("day", "left"), [(0, 365), (351, 14), (364.5, 0.5), (365.5, -0.5), (375, -10)])
def test_the_days_that_are_left_are_counted_from_the_last_check(day: float, left: float) -> None:
    (finding,) = calibrations_due(house(), CHECKED + day * DAY, 365.0)
    assert finding.value == pytest.approx(left)
    assert (finding.probe, finding.location, finding.unit) == ("p1", "north", "d")
    assert (finding.facts.measured_at, finding.facts.due) == (CHECKED, CHECKED + 365 * DAY)


def test_a_probe_of_which_no_check_is_known_is_not_spoken_of() -> None:
    assert [f.probe for f in calibrations_due(house(), CHECKED, 365.0)] == ["p1"]


def test_a_check_in_the_job_file_counts_from_then_on_and_not_before() -> None:
    checks = [{"probe": p, "at": CHECKED + days * DAY} for p, days in (("p1", 100), ("p2", 90))]
    checked = house(calibrations=checks)
    assert [f.value for f in calibrations_due(checked, CHECKED + 89 * DAY, 365.0)] == [365 - 89]
    assert [f.value for f in calibrations_due(checked, CHECKED + 110 * DAY, 365.0)] == [355, 345]


def test_the_job_says_how_long_a_check_is_good_for() -> None:
    (finding,) = calibrations_due(house(calibration_valid_d=30), CHECKED + 20 * DAY, 365.0)
    assert finding.value == pytest.approx(10)


def test_a_probe_that_has_left_is_not_spoken_of() -> None:
    gone = [{"id": "p1", "location_id": "north", "from": CHECKED, "to": CHECKED + DAY, "calibrated_at": CHECKED}]
    assert calibrations_due(house(probes=gone), CHECKED + DAY, 365.0) == []


def played(one: JobFile, rules: AlertRules, days: range) -> list[tuple[int, Alert]]:
    """What changes of the alerts, day by day, on a record without a reading."""
    session, changes = ReplaySession(one, rules, AnalysisOptions()), []
    for day in days:
        as_of = CHECKED + day * DAY
        _, changed = session.step(JobRecord(placements=()), as_of)
        changes += [(day, alert) for alert in changed if alert.kind == "calibration_due"]
    return changes


def test_it_is_told_two_weeks_before_and_more_urgently_once_it_is_due_and_ends_with_the_check() -> None:
    one = house(calibrations=[{"probe": "p1", "at": CHECKED + 370 * DAY}])
    told = played(one, default_rule_book(), range(340, 372))
    states = [(day, alert.status.value, alert.severity.value) for day, alert in told]
    assert states[0] == (351, "open", "note")
    assert next(day for day, _, severity in states if severity == "watch") == 365
    assert states[-1] == (370, "closed", "watch")
    assert {day for day, _, _ in states} == set(range(351, 371))


def test_how_long_before_is_a_rule_that_a_firm_can_change() -> None:
    rules = rule_book_of({"rules": {"calibration_due": {"raise_at": 30, "clear_at": 60}}}, "ours.toml")
    assert played(house(), rules, range(330, 340))[0][0] == 335


def test_a_job_file_with_a_check_still_to_come_is_taken_as_it_is() -> None:
    later = [{"id": "p1", "location_id": "north", "from": CHECKED, "calibrated_at": CHECKED + DAY}]
    assert calibrations_due(house(probes=later), CHECKED, 365.0) == []
