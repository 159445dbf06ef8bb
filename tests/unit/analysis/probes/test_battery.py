"""What a probe says of its battery is told as it is; whether it is low is the rule's to say."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.probes.battery import low_battery
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.series import Hourly, JobRecord, PlacementRecord, Series
from monitord.pipeline import ReplaySession

START = datetime(2025, 3, 1, tzinfo=UTC)
ROOM = Location(id="room", kind=LocationKind.ROOM_AIR)


def record(volts: list[float], to: datetime | None = None) -> PlacementRecord:
    n = len(volts)
    times = START.timestamp() + 600.0 * np.arange(n)
    values = (np.full(n, 20.0), np.full(n, 50.0), np.full(n, np.nan), np.array(volts))
    placement = Placement(id="p1", location_id="room", **{"from": START}, to=to)
    return PlacementRecord(placement, Series(times, *values, times), Hourly(), float(times[-1]))


def test_the_median_of_the_newest_readings_is_told() -> None:
    finding = low_battery(record([3.0] * 20 + [2.4] * 11 + [1.0]), ROOM, START.timestamp() + 86_400.0)
    assert finding is not None
    assert (finding.value, finding.unit, finding.readings) == (2.4, "V", 12)


def levels(volts: list[float], percent: list[float]) -> PlacementRecord:
    plain = record(volts)
    return replace(plain, recent=replace(plain.recent, battery_pct=np.array(percent)))


def test_a_level_is_told_where_no_voltage_is() -> None:
    late, nothing = START.timestamp() + 86_400.0, float("nan")
    finding = low_battery(levels([nothing] * 3, [20.0, 12.0, 12.0]), ROOM, late)
    assert finding is not None
    assert (finding.kind, finding.value, finding.unit) == ("low_battery_level", 12.0, "%")
    measured = low_battery(levels([2.9] * 3, [20.0, 12.0, 12.0]), ROOM, late)
    assert measured is not None
    assert (measured.kind, measured.unit) == ("low_battery", "V")


@pytest.mark.parametrize(("percent", "alerts"), [(16.0, 0), (14.0, 1)])
def test_the_level_of_the_default_rule(percent: float, alerts: int) -> None:
    """Under 15 %, held for an hour: our choice, see the rule."""
    probe_record = levels([float("nan")] * 40, [percent] * 40)
    job = JobFile(job="j", start=START, locations=(ROOM,), probes=(probe_record.placement,))
    session = ReplaySession(job, default_rule_book(), AnalysisOptions())
    opened = 0
    for hours in (2.0, 4.0, 6.0):
        at = START + timedelta(hours=hours)
        known = replace(probe_record, recent=probe_record.recent.at(probe_record.recent.time_s <= at.timestamp()))
        _, changed = session.step(JobRecord((known,)), at)
        opened += sum(a.kind == "low_battery_level" and a.opened_at == at for a in changed)
    assert opened == alerts


def test_a_probe_without_a_voltage_or_one_that_was_taken_away_tells_nothing() -> None:
    late = START.timestamp() + 86_400.0
    assert low_battery(record([float("nan")] * 5), ROOM, late) is None
    assert low_battery(record([2.0] * 5, to=START + timedelta(hours=2)), ROOM, late) is None


def test_an_alert_opens_for_an_empty_battery_and_ends_with_a_word_when_the_probe_is_taken_away() -> None:
    """The default rule: 2.5 V for a lithium cell, held for an hour (common practice)."""
    series = record([2.3] * 40)
    placement = series.placement
    job = JobFile(job="j", start=START, locations=(ROOM,), probes=(placement,))
    session = ReplaySession(job, default_rule_book(), AnalysisOptions())
    opened = []
    for hours in (2.0, 4.0, 6.0):
        at = START + timedelta(hours=hours)
        keep = series.recent.time_s <= at.timestamp()
        recent = Series(*(getattr(series.recent, name)[keep] for name in Series.__dataclass_fields__))
        _, changed = session.step(
            JobRecord((PlacementRecord(placement, recent, Hourly(), float(recent.time_s[-1])),)), at
        )
        opened += [a for a in changed if a.kind == "low_battery" and a.opened_at is not None]
    assert opened
    moved = job.model_copy(update={"probes": (placement.model_copy(update={"to_time": START + timedelta(hours=7)}),)})
    later = ReplaySession(moved, default_rule_book(), AnalysisOptions(), [opened[-1]])
    _, changed = later.step(JobRecord(()), START + timedelta(hours=8))
    (ended,) = [a for a in changed if a.kind == "low_battery"]
    assert ended.closed_at is not None
    assert "no longer at room" in (ended.closing_reason or "")
