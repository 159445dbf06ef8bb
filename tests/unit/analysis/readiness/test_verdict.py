"""The verdict on a slab: worked cases, each with the reason for its outcome argued beside it."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from analysis_series import START, at_day
from readiness_support import Case

from monitord.model.assessments import QualityFlag
from monitord.model.facts import FaultFacts, FaultReason
from monitord.model.readiness.verdict import Criterion, Outcome, Readiness, Reason, Verdict

C, Out, R = Criterion, Outcome, Reason


STUCK = FaultFacts(reason=FaultReason.REPEATS)


def test_a_slab_that_meets_every_rule_is_ready_and_nothing_is_missing() -> None:
    # 74 % at three positions, limit 80, u 1: 74 + 2·1 = 76 <= 80; sealed for 14 days, checked 10 days before use,
    # 3 positions for 38 m², 40 of 100 mm drying from one side, room at 20 °C and 45 % all along
    verdict = Case().evaluate()
    assert verdict.verdict is Verdict.READY
    assert (verdict.missing, verdict.earliest) == ((), None)
    assert {r.criterion for r in verdict.results} == set(Criterion) - {C.CRITERIA, C.HEATING, C.SPOT}
    assert not verdict.limit_is_default


@pytest.mark.parametrize(
    ("humidity", "guard", "outcome", "reason"),
    [
        # limit 80, u 1: guarded acceptance with k = 2 takes 78 and less (JCGM 106:2012, 8.3)
        (77.9, 2.0, Out.PASS, R.MET),
        (78.1, 2.0, Out.FAIL, R.WITHIN_GUARD_BAND),
        (80.1, 2.0, Out.FAIL, R.OVER_LIMIT),
        (79.9, 0.0, Out.PASS, R.MET),  # simple acceptance, the job's own choice
        (79.1, 1.0, Out.FAIL, R.WITHIN_GUARD_BAND),
        (78.9, 1.0, Out.PASS, R.MET),
    ],
)
def test_the_uncertainty_counts_against_the_slab_by_the_guard_band(
    humidity: float, guard: float, outcome: Outcome, reason: Reason
) -> None:
    case = Case(guard_factor=guard)
    case.humidity["s2"] = humidity
    value = case.value(C.LIMIT, "s2")
    assert (value.outcome, value.reason) == (outcome, reason)
    assert value.measured is not None
    assert value.measured.value == pytest.approx(humidity)
    assert case.evaluate().verdict is (Verdict.READY if outcome is Out.PASS else Verdict.NOT_READY)


def test_one_position_over_the_limit_is_enough_and_is_the_one_named() -> None:
    case = Case()
    case.humidity["s3"] = 83.9
    verdict = case.evaluate()
    assert verdict.verdict is Verdict.NOT_READY
    assert verdict.missing == ("limit", "held")
    assert case.value(C.LIMIT).location == "s3"
    # by clocks alone: under the limit from now on and held for a day
    assert verdict.earliest == at_day(15)


def test_without_the_manufacturers_limit_the_default_stands_in_and_is_marked() -> None:
    case = Case(covering={"name": "vinyl"})
    case.humidity = {"room": 45.0, "s1": 72.5, "s2": 72.5, "s3": 72.5}
    verdict = case.evaluate()
    assert verdict.limit_is_default
    assert verdict.verdict is Verdict.READY  # 72.5 + 2 <= 75
    case.humidity["s1"] = 73.5  # 73.5 + 2 > 75
    assert case.evaluate().verdict is Verdict.NOT_READY


def test_no_verdict_before_the_clock_has_run_and_the_earliest_date_is_the_clocks_and_the_holds() -> None:
    case = Case(days=2.0)  # 48 of 72 h
    verdict = case.evaluate()
    assert verdict.verdict is Verdict.NOT_READY
    assert {"equilibration", "limit", "held"} <= set(verdict.missing)
    value = case.value(C.EQUILIBRATION)
    assert (value.outcome, value.reason) == (Out.NOT_YET, R.CLOCK_RUNS)
    assert value.measured is not None
    assert (value.measured.value, value.earliest) == (48.0, at_day(3))
    assert case.value(C.LIMIT).reason is R.NOT_EQUILIBRATED
    assert case.value(C.LIMIT).measured is None  # a prediction is no value


def test_the_24_hour_form_counts_a_sleeve_that_the_72_hour_form_does_not() -> None:
    case = Case(days=2.5, criteria="in-situ-rh-24h")
    assert case.value(C.EQUILIBRATION).reason is R.MET
    case = Case(days=2.5)
    assert case.value(C.EQUILIBRATION).reason is R.CLOCK_RUNS


def test_a_sleeve_that_still_fills_after_its_clock_is_no_verdict() -> None:
    case = Case(days=4.0)
    hours = case.hours()
    case.humidity["s1"] = 77.0 - 30.0 * np.exp(-hours / 40.0)  # at hour 96 still 2.7 % to go, 2.2 % risen in a day
    value = case.value(C.EQUILIBRATION, "s1")
    assert (value.outcome, value.reason) == (Out.NOT_YET, R.STILL_MOVES)
    assert case.evaluate().verdict is Verdict.NOT_READY


@pytest.mark.parametrize(
    ("per_day", "reason"), [(0.35, R.STILL_MOVES), (0.25, R.MET), (-0.9, R.MET), (-1.1, R.STILL_MOVES)]
)
def test_a_sleeve_that_rises_reads_too_dry_and_one_that_falls_may_be_drying(per_day: float, reason: Reason) -> None:
    # an approach with a time constant of two days that still rises by 0.3 % a day has 0.6 % to go: under the guard
    # band of any probe; one that rises by 0.6 % a day has 1.2 % to go, and is not
    case = Case()
    case.humidity["s2"] = 74.0 + per_day / 24.0 * (case.hours() - case.hours()[-1])
    assert case.value(C.EQUILIBRATION, "s2").reason is reason


def test_hours_at_which_a_sleeve_still_filled_do_not_count_as_held() -> None:
    case = Case(days=10.0)
    left = case.hours() - case.hours()[-1]
    case.humidity["s2"] = np.where(left < -20, 74.0 + 0.6 / 24.0 * (left + 20), 74.0)  # rose until 20 h ago
    value = case.value(C.HELD, "s2")
    assert value.reason is R.HOLD_RUNS
    assert value.measured is not None
    assert value.measured.value < 20.0


def test_opening_a_sleeve_starts_its_clock_again() -> None:
    case = Case()
    humidity = np.full(round(24 * case.days), 74.0)
    humidity[-40:-37] = (60.0, 52.0, 60.0)  # opened 40 h before the end: towards the room's 45 %
    humidity[-37:] = 74.0 - 14.0 * np.exp(-np.arange(37) / 8.0)
    case.humidity["s2"] = humidity
    value = case.value(C.EQUILIBRATION, "s2")
    assert value.reason is R.CLOCK_RUNS
    assert value.measured is not None
    assert value.measured.value < 41.0


def test_a_probe_that_was_put_in_later_starts_the_clock_again() -> None:
    case = Case()
    case.probe("s1")["from"] = at_day(12).isoformat()
    case.probe("s1")["calibrated_at"] = at_day(11).isoformat()
    value = case.value(C.EQUILIBRATION, "s1")
    assert (value.reason, value.at) == (R.CLOCK_RUNS, at_day(12))


@pytest.mark.parametrize(
    ("depth_mm", "sides", "outcome"),
    [
        # one side 40 %, both sides 20 %, ± 5 % of the thickness; Crank's 0.4393 L and half of it lie inside
        (40.0, 1, Out.PASS), (43.93, 1, Out.PASS), (45.0, 1, Out.PASS), (46.0, 1, Out.FAIL), (34.0, 1, Out.FAIL),
        (20.0, 2, Out.PASS), (21.97, 2, Out.PASS), (40.0, 2, Out.FAIL), (14.0, 2, Out.FAIL),
    ],
)  # fmt: skip
def test_the_depth_is_a_share_of_the_thickness_by_the_faces_that_dry(
    depth_mm: float, sides: int, outcome: Outcome
) -> None:
    case = Case()
    case.sleeve("s1").update(depth_mm=depth_mm, drying_sides=sides)
    assert case.value(C.DEPTH, "s1").outcome is outcome


@pytest.mark.parametrize(("area", "outcome"), [(100.0, Out.PASS), (100.5, Out.FAIL), (None, Out.CANNOT_SAY)])
def test_three_positions_serve_a_hundred_square_metres(area: float | None, outcome: Outcome) -> None:
    case = Case(area_m2=area)
    assert case.outcome(C.POSITIONS) is outcome
    wanted = {Out.PASS: Verdict.READY, Out.FAIL: Verdict.NOT_READY, Out.CANNOT_SAY: Verdict.CANNOT_SAY}
    assert case.evaluate().verdict is wanted[outcome]


def test_service_conditions_count_from_when_the_room_came_into_the_band() -> None:
    case = Case()
    humidity = np.full(round(24 * case.days), 45.0)
    humidity[-32] = 70.0  # one hour out of the band, 31 h ago
    case.humidity["room"] = humidity
    value = case.value(C.SERVICE)
    assert (value.outcome, value.reason, value.location) == (Out.NOT_YET, R.SERVICE_RUNS, "room")
    assert value.measured is not None
    assert value.measured.value == 31.0
    assert value.earliest == at_day(14) + timedelta(hours=48 - 31)
    humidity[-1] = 70.0
    assert case.value(C.SERVICE).reason is R.OUT_OF_SERVICE
    case.document["slabs"][0]["service"] = None  # then 24 ± 5.5 °C and 50 ± 10 % by F2170: 20 °C and 45 % are inside
    humidity[-32], humidity[-1] = 45.0, 45.0
    assert case.value(C.SERVICE).reason is R.MET


def test_a_cold_slab_in_a_warm_room_is_not_at_service_temperature() -> None:
    case = Case()
    case.temperature["s2"] = 15.0
    value = case.value(C.SERVICE)
    assert (value.outcome, value.location) == (Out.FAIL, "s2")


@pytest.mark.parametrize(
    ("days_before", "outcome", "reason"),
    [
        (29, Out.PASS, R.MET),
        (31, Out.FAIL, R.CHECK_TOO_OLD_BEFORE_USE),  # F2170, 8: within 30 days before use
        (None, Out.CANNOT_SAY, R.CHECK_UNKNOWN),
    ],
)
def test_a_probe_is_checked_within_thirty_days_before_use(
    days_before: int | None, outcome: Outcome, reason: Reason
) -> None:
    case = Case()
    checked = None if days_before is None else (START - timedelta(days=days_before)).isoformat()
    case.probe("s1")["calibrated_at"] = checked
    value = case.value(C.CALIBRATION, "s1")
    assert (value.outcome, value.reason) == (outcome, reason)


def test_a_check_expires_as_the_job_says() -> None:
    case = Case()
    case.document["calibration_valid_d"] = 20.0  # checked 10 days before use, 14 days of use: 24 > 20
    assert case.value(C.CALIBRATION).reason is R.CHECK_TOO_OLD


def test_a_silent_probe_is_not_a_dry_slab() -> None:
    case = Case()
    humidity = np.full(round(24 * case.days), 74.0)
    humidity[-30:] = np.nan
    case.humidity["s3"] = humidity
    verdict = case.evaluate()
    assert verdict.verdict is Verdict.CANNOT_SAY
    assert case.value(C.PROBE).reason is R.SILENT
    assert case.value(C.PROBE).at == at_day(14) - timedelta(hours=30)


def test_a_probe_at_fault_supports_no_verdict() -> None:
    case = Case()
    case.flags["s1"] = (QualityFlag(kind="stuck", probe="p-s1", start=at_day(10), end=None, why=STUCK),)
    assert case.value(C.PROBE).reason is R.FAULT
    assert case.evaluate().verdict is Verdict.CANNOT_SAY
    case.flags["s1"] = (QualityFlag(kind="stuck", probe="p-s1", start=at_day(2), end=at_day(3), why=STUCK),)
    assert case.evaluate().verdict is Verdict.READY


def test_a_probe_wider_than_the_rule_takes_is_refused() -> None:
    case = Case()
    case.probe("s1")["accuracy"] = {"relative_humidity_pct": 3.5}
    assert case.value(C.PROBE).reason is R.ACCURACY_TOO_WIDE
    at = (START - timedelta(days=1)).isoformat()
    case.document["calibrations"] = [{"probe": "p-s1", "at": at, "accuracy": {"relative_humidity_pct": 1.0}}]
    assert case.value(C.PROBE).reason is R.MET


def test_a_limit_held_for_too_short_a_time_is_not_yet() -> None:
    case = Case()
    case.humidity["s1"] = np.where(case.hours() < case.hours()[-1] - 16, 78.5, 76.5)
    value = case.value(C.HELD, "s1")
    assert (value.outcome, value.reason) == (Out.NOT_YET, R.HOLD_RUNS)
    # the mean over 6 h is at or under 78 in the second hour: (5·78.5 + 76.5)/6 = 78.2, (4·78.5 + 2·76.5)/6 = 77.8
    assert value.measured is not None
    assert value.measured.value == 16.0
    assert value.earliest == at_day(14) + timedelta(hours=8)


@pytest.mark.parametrize(
    ("wet", "verdict"), [(1.0, Verdict.NOT_READY), (None, Verdict.CANNOT_SAY), (0.0, Verdict.READY)]
)
def test_getting_wet_again_or_not_knowing_it_is_never_ready(wet: float | None, verdict: Verdict) -> None:
    case = Case()
    case.wet["s2"] = wet
    assert case.evaluate().verdict is verdict


@pytest.mark.parametrize("criteria", ["no-such-rules", "dry-to-goal"])
def test_rules_that_are_not_there_give_no_verdict(criteria: str) -> None:
    verdict = Case(criteria=criteria).evaluate()
    assert (verdict.verdict, verdict.missing) == (Verdict.CANNOT_SAY, ("criteria",))


def boxed(**slab: object) -> Case:
    """The slab under three sealed surface boxes."""
    case = Case(criteria="surface-box-75", **slab)
    for name in ("s1", "s2", "s3"):
        entry = case.sleeve(name)
        entry["kind"] = "surface"
        for key in ("depth_mm", "slab_thickness_mm", "drying_sides"):
            entry.pop(key)
        case.humidity[name] = 71.0
    return case


def test_a_surface_box_asks_for_drying_aids_off_for_four_days() -> None:
    case = boxed(covering={})
    assert case.value(C.HEATING).reason is R.AIDS_ON_OR_UNKNOWN
    assert case.evaluate().verdict is Verdict.CANNOT_SAY
    case = boxed(covering={}, drying_aids_off_at=at_day(11).isoformat())  # 72 of 96 h
    assert case.value(C.HEATING).reason is R.AIDS_OFF_RUNS
    assert case.evaluate().earliest == at_day(15)
    case = boxed(covering={}, drying_aids_off_at=at_day(9).isoformat())
    assert case.evaluate().verdict is Verdict.READY


def test_an_element_with_a_goal_is_judged_against_it() -> None:
    case = Case()
    case.document["slabs"] = []
    case.sleeve("s1")["goal"] = {"metric": "equilibrium_rh_pct", "limit": 80.0, "window_h": 24}
    verdict = case.evaluate("s1")
    assert (verdict.verdict, verdict.is_slab, verdict.criteria) == (Verdict.READY, False, "dry-to-goal")
    case.humidity["s1"] = 79.0
    assert case.evaluate("s1").verdict is Verdict.NOT_READY


def test_a_cavity_needs_no_clock_and_a_control_is_what_it_is_held_against() -> None:
    case = Case()
    case.document["locations"] += [
        {"id": "wet", "kind": "cavity", "goal": {"metric": "rh_over_control_pct", "limit": 6.0, "control": "dry"}},
        {"id": "dry", "kind": "cavity"},
    ]
    case.document["probes"] += [{"id": f"p-{i}", "location_id": i, "from": START.isoformat()} for i in ("wet", "dry")]
    case.humidity.update(wet=63.0, dry=60.0)
    case.temperature.update(wet=20.0, dry=20.0)
    case.wet["wet"] = 0.0
    # 3 over the control; u = √2 (two probes of u 1): 3 + 2·1.41 = 5.8 <= 6
    verdict = case.evaluate("wet")
    assert verdict.verdict is Verdict.READY
    assert "equilibration" not in {r.criterion.value for r in verdict.results}
    case.humidity["wet"] = 63.5  # 3.5 + 2.8 > 6
    assert case.evaluate("wet").verdict is Verdict.NOT_READY


def by_spot(value: float, *, beside: float | None = None, alone: bool = False) -> Readiness:
    """A joist beside a dry one: its goal by spot readings, with a goal for its probe or alone."""
    case, at = Case(), at_day(13).isoformat()
    goal = {"kind": "wood_moisture_pct", "limit": 4.0 if beside is not None else 16.0}
    joist: dict[str, object] = {"id": "joist", "kind": "cavity", "spot_goal": goal}
    if beside is not None:
        goal["control"] = "dry"
    if not alone:
        joist["goal"] = {"metric": "rh_pct", "limit": 70.0}
    case.document["locations"] += [joist, {"id": "dry", "kind": "cavity"}]
    case.document["probes"] += [{"id": "p-joist", "location_id": "joist", "from": START.isoformat()}]
    case.document["spots"] = [
        {"location_id": where, "at": at, "kind": "wood_moisture_pct", "value": moisture}
        for where, moisture in (("joist", value), ("dry", beside))
        if moisture is not None
    ]
    case.humidity.update(joist=60.0, dry=60.0)
    case.temperature.update(joist=20.0, dry=20.0)
    case.wet["joist"] = 0.0
    return case.evaluate("joist")


def test_a_goal_by_spot_readings_counts_beside_that_of_the_probe() -> None:
    # common practice (PAS 64, S500): an element is dry when it is verified, by a meter where the job asks for one
    verdict = by_spot(15.0)
    assert (verdict.verdict, verdict.missing) == (Verdict.READY, ())
    verdict = by_spot(17.0)
    assert (verdict.verdict, verdict.missing) == (Verdict.NOT_READY, ("spot",))


def test_a_goal_by_spot_readings_alone_asks_nothing_of_a_probe() -> None:
    verdict = by_spot(15.0, alone=True)
    assert verdict.verdict is Verdict.READY
    assert [r.criterion for r in verdict.results] == [C.SPOT]
    assert by_spot(16.5, alone=True).verdict is Verdict.NOT_READY


def test_a_goal_over_a_control_is_held_against_the_difference() -> None:
    (found,) = by_spot(15.0, beside=12.0, alone=True).results
    assert found.outcome is Outcome.PASS
    assert found.decisive.measured is not None
    assert found.decisive.measured.value == pytest.approx(3.0)
    (found,) = by_spot(16.5, beside=12.0, alone=True).results
    assert (found.outcome, found.decisive.reason) == (Outcome.FAIL, R.OVER_LIMIT)


def test_without_a_reading_or_its_control_nothing_can_be_said() -> None:
    case = Case()
    case.sleeve("s1")["spot_goal"] = {"kind": "concrete_impedance_pct", "limit": 0.5, "control": "s2"}
    assert case.value(C.SPOT).reason is R.SPOT_NOT_MEASURED
    case.document["spots"] = [
        {"location_id": "s1", "at": at_day(13).isoformat(), "kind": "concrete_impedance_pct", "value": 3.0}
    ]
    assert case.value(C.SPOT).reason is R.SPOT_NO_CONTROL
    assert case.evaluate().verdict is Verdict.CANNOT_SAY
