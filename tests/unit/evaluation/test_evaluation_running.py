"""From a simulated job to plain records, and keeping them."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from evaluation_support import alert, alerts, case, day, location, with_goal

from monitord.model.alerts import Alert, AlertStatus, Severity
from monitord.model.assessments import Equilibrium, Finding, Forecast
from monitord.model.facts import Facts, FindingKind, Truth
from monitord.model.quantity import Quantity
from monitord.replay.run import ReplayResult, read_arrivals
from simulators.evaluation import result_cache
from simulators.evaluation.records import NightRecord, verdicts_of
from simulators.evaluation.result_cache import ResultCache
from simulators.evaluation.running import Failure, arrivals_of, run_cases
from simulators.jobs.replay_files import HEADER, rows
from simulators.probes.gateway import Readings
from simulators.truth.records import Stall

T0 = datetime(2025, 1, 1, tzinfo=UTC)


def test_readings_in_memory_are_those_of_the_readings_file(tmp_path: Path):
    stamps = np.array([1_735_689_600, 1_735_689_700, 1_735_690_200])
    readings = Readings(
        ("a", "b"), np.array([0, 1, 0]), stamps, np.array([20.12345, -3.0, 19.9]), np.array([55.5555, 99.0, 56.0]),
        np.array([np.nan, 11.25, np.nan]), np.array([3.0, 2.987654, 3.0]), stamps + 4,
    )  # fmt: skip
    path = tmp_path / "readings.csv"
    path.write_text("\n".join([HEADER, *rows(readings)]) + "\n")
    from_file, in_memory = read_arrivals(path), arrivals_of(readings)
    assert in_memory.probes == from_file.probes == ["a", "b", "a"]
    assert in_memory.received_s == from_file.received_s
    np.testing.assert_array_equal(np.array(in_memory.rows), np.array(from_file.rows))


def finding() -> Finding:
    value, before = Quantity(value=84.0, u=1.0, unit="% RH"), Quantity(value=78.0, u=1.0, unit="% RH")
    facts = Facts(value=value, before=before, outdoor_known=True)
    return Finding(kind=FindingKind.REWETTING, location="wall", measured_at=T0, truth=Truth.TRUE, facts=facts)


def test_what_a_replay_said_becomes_plain_records():
    later = T0 + timedelta(hours=5)
    made = Alert(
        fingerprint="f", episode=1, job="j", kind="rewetting", location="wall", probe=None,
        severity=Severity.ACT, status=AlertStatus.CLOSED, finding=finding(),
    )  # fmt: skip
    forecast = Forecast(made_at=T0, low=later, middle=None, high=None, never=True, high_never=True)
    settling = Equilibrium(state="settling", predicted_rh=80.0, low=78.0, high=82.0, clock_started=T0)
    settled = settling.model_copy(update={"state": "equilibrated"})
    said = verdicts_of(
        ReplayResult(
            alerts=[(T0, later, made), (later, None, made)],
            forecasts=[(T0, "wall", forecast)],
            equilibrium=[(T0, "floor", settling), (later, "floor", settled)],
        )
    )
    start = T0.timestamp()
    words = "84 ± 2 % RH, was 78 ± 2 % RH; temperature and nearby air don't explain it. Source not known."
    assert [(a.opened_s, a.closed_s, a.words) for a in said.alerts] == [
        (start, start + 18_000, words), (start + 18_000, None, words),
    ]  # fmt: skip
    assert (said.forecasts[0].low_s, said.forecasts[0].middle_s, said.forecasts[0].never) == (
        start + 18_000,
        None,
        True,
    )
    assert [(e.predicted_pct, e.settled) for e in said.equilibrium] == [(80.0, False), (80.0, True)]


def test_a_case_comes_back_as_it_was_kept(tmp_path: Path):
    made = case([location("wall", "cavity")])
    with_goal(made.truth.locations["wall"], [(day(20), day(30))], day(20))
    made.truth.locations["wall"].stalls = [Stall(day(5), day(12), "air")]
    made.margins_k = {"wall": [1.5, -0.5]}
    made.verdicts["ours"] = alerts(alert("rewetting", "wall", day(3), None))
    made.verdicts["ours"].nights.append(NightRecord(day(3), "wall", [1.0, math.nan]))
    cache = ResultCache(tmp_path)
    cache.save(made)
    kept = cache.load("hand", 1, ["ours", "baseline"])
    assert kept is not None
    assert (kept.truth, kept.job, kept.margins_k) == (made.truth, made.job, made.margins_k)
    assert kept.verdicts["ours"].alerts == made.verdicts["ours"].alerts
    assert math.isnan(kept.verdicts["ours"].nights[0].margins_k[1])
    assert "baseline" not in kept.verdicts


def test_what_was_kept_from_other_sources_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    made = case([location("wall", "cavity")])
    made.verdicts["ours"] = alerts()
    ResultCache(tmp_path).save(made)
    monkeypatch.setattr(
        result_cache,
        "_sources",
        lambda part: "changed" if part == "ours" else result_cache._digest(result_cache._building()),
    )
    kept = ResultCache(tmp_path).load("hand", 1, ["ours"])
    assert kept is not None
    assert kept.verdicts == {}
    monkeypatch.setattr(result_cache, "_sources", lambda part: "changed")
    assert ResultCache(tmp_path).load("hand", 1, ["ours"]) is None


def test_a_job_that_fails_is_told_and_does_not_end_the_others():
    (failure,) = run_cases([("no_such_family", 1)], ["baseline"], workers=1, keep=None)
    assert isinstance(failure, Failure)
    assert (failure.family, failure.seed) == ("no_such_family", 1)
    assert "KeyError" in failure.error
