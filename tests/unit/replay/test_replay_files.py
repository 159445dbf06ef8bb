"""Replay's files in the small: how times and cells are read, which ticks there are, how results are written."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.errors import ConfigurationError
from monitord.model.assessments import Equilibrium, Forecast
from monitord.model.jobs import JobFile
from monitord.replay.parallel import Arrivals
from monitord.replay.run import ReplayResult, parse_time, read_arrivals, replay, ticks, write_result

HEADER = "time,probe,temperature_c,relative_humidity_pct,surface_temperature_c,battery_v,received_at"
START = datetime(2025, 3, 1, 9, 20, tzinfo=UTC)


def job(end: datetime | None) -> JobFile:
    return JobFile.model_validate({"job": "j", "start": START, "end": end})


def written(tmp_path: Path, text: str) -> Arrivals:
    path = tmp_path / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return read_arrivals(path)


def test_times_are_utc() -> None:
    """RFC 3339, section 5.8: 1985-04-12T23:20:50.52Z and 1996-12-19T16:39:57-08:00 in POSIX seconds."""
    assert parse_time("1985-04-12T23:20:50.52Z") == 482_196_050.52
    assert parse_time("1996-12-19T16:39:57-08:00") == 851_042_397.0


def test_an_empty_cell_is_no_value_and_columns_are_known_by_name(tmp_path: Path) -> None:
    shuffled = "received_at,battery_v,probe,time,relative_humidity_pct,temperature_c,surface_temperature_c,note\n"
    found = written(tmp_path, shuffled + "2025-03-01T10:00:04Z,,a1,2025-03-01T10:00:00Z,61.4,18.2,11.5,by hand\n")
    assert found.probes == ["a1"]
    time, t, rh, surface, battery, received = found.rows[0]
    assert (t, rh, surface, received - time) == (18.2, 61.4, 11.5, 4.0)
    assert math.isnan(battery)


def test_a_file_with_a_header_alone_holds_nothing(tmp_path: Path) -> None:
    assert written(tmp_path, HEADER + "\n").rows == []


def test_an_empty_file_names_what_its_first_line_must_hold(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="column 'time' is missing"):
        written(tmp_path, "")


def test_ticks_stand_on_full_hours_and_the_end_is_one_of_them() -> None:
    end = START + timedelta(hours=3)
    found = [datetime.fromtimestamp(tick, UTC) for tick in ticks(job(end), 0.0)]
    hours = [datetime(2025, 3, 1, hour, tzinfo=UTC) for hour in (10, 11, 12)]
    assert found == [*hours, end]


def test_a_job_without_an_end_is_followed_to_its_last_arrival() -> None:
    last = (START + timedelta(minutes=100)).timestamp()
    assert list(ticks(job(None), last))[-1] == last


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 500_000))
def test_ticks_ascend_without_a_gap_of_more_than_an_hour(start_min: int, length_s: int) -> None:
    start = START + timedelta(minutes=start_min)
    found = list(
        ticks(JobFile.model_validate({"job": "j", "start": start, "end": start + timedelta(seconds=length_s)}), 0)
    )
    steps = [b - a for a, b in zip([start.timestamp(), *found], found, strict=False)]
    assert all(0 < step <= 3600.0 for step in steps)
    assert found[-1] == start.timestamp() + length_s


def test_a_job_in_which_nothing_ever_arrives_is_silent_and_not_dry() -> None:
    house = JobFile.model_validate(
        {
            "job": "j",
            "start": START,
            "end": START + timedelta(hours=30),
            "locations": [{"id": "wall", "kind": "cavity", "goal": {"metric": "rh_pct", "limit": 99.0}}],
            "probes": [{"id": "p", "location_id": "wall", "from": START, "interval_s": 600}],
        }
    )
    outcome = replay(house, Arrivals(), default_rule_book())
    assert [(alert.kind, closed) for _, closed, alert in outcome.alerts] == [("probe_silent", None)]
    assert (outcome.forecasts, outcome.equilibrium) == ([], [])


def test_never_and_nothing_are_written_as_the_format_has_them(tmp_path: Path) -> None:
    made, eta = START, START + timedelta(days=3, seconds=0.7)
    dated = Forecast(made_at=made, low=eta, middle=eta, high=None, never=False, high_never=True)
    never = Forecast(made_at=made, low=None, middle=None, high=None, never=True, high_never=True)
    early = Equilibrium(state="settling", predicted_rh=None, low=None, high=None, clock_started=made)
    late = Equilibrium(state="equilibrated", predicted_rh=88.136, low=86.0, high=90.5, clock_started=made)
    outcome = ReplayResult(
        forecasts=[(made, "wall", dated), (made, "slab", never)],
        equilibrium=[(made, "slab", early), (made, "slab", late)],
    )
    job = JobFile.model_validate({"job": "j", "start": START})
    write_result(outcome, tmp_path, job, default_rule_book())
    assert (tmp_path / "alerts.csv").read_text() == (
        "opened_at,closed_at,kind,location,severity,probe,headline,at_opening,worst,at_close,closed_because\n"
    )
    assert (tmp_path / "forecasts.csv").read_text().splitlines()[1:] == [
        "2025-03-01T09:20:00Z,wall,2025-03-04T09:20:00Z,2025-03-04T09:20:00Z,never",
        "2025-03-01T09:20:00Z,slab,,never,never",
    ]
    assert (tmp_path / "equilibrium.csv").read_text().splitlines()[1:] == [
        "2025-03-01T09:20:00Z,slab,,,,settling",
        "2025-03-01T09:20:00Z,slab,88.14,86.00,90.50,equilibrated",
    ]
