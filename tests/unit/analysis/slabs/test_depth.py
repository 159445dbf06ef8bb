"""Sleeves of one slab in depth: which way the moisture goes, and what feeds the deep one.

What feeds it is held against slabs dried by finite volumes here in the test: sealed at the far side, or kept wet there.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pytest
from english import ENGLISH
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import solve_banded

from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.slabs.depth import depth_comparisons, levels_of, same_slab
from monitord.analysis.slabs.moisture_supply import Fed, Feeding, expected_loss, feeding
from monitord.model.assessments import Comparison, Equilibrium, FarSide, Flow
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.series import Array
from monitord.physics.concrete import relative_diffusivity
from monitord.physics.moist_air import vapour_pressure
from monitord.text.comparisons import comparison_sentence

OPTIONS = AnalysisOptions()
START = datetime(2026, 3, 2, tzinfo=UTC)
PRESSURE = 101_325.0
GOOD = Uncertainty(0.15, 1.0)


def sentence(found: Comparison) -> str:
    return comparison_sentence(ENGLISH, found, "here", "there")


def sleeve(name: str, depth_mm: float, **more: object) -> Location:
    about: dict[str, object] = {"slab_thickness_mm": 100.0, "drying_sides": 1, **more}
    return Location(id=name, kind=LocationKind.SLAB_SLEEVE, depth_mm=depth_mm, **about)  # type: ignore[arg-type]


def job_of(*locations: Location) -> JobFile:
    room = Location(id="room", kind=LocationKind.ROOM_AIR)
    return JobFile(job="j", start=START, locations=(room, *locations))


def track_of(
    location: Location, rh: float | Array, temperature_c: float = 18.0, uncertainty: Uncertainty = GOOD
) -> HourlySeries:
    values = np.atleast_1d(np.asarray(rh, dtype=np.float64))
    values = np.full(24 * 30, values[0]) if len(values) == 1 else values
    t, nothing = np.full(len(values), temperature_c), np.full(len(values), np.nan)
    hours = START.timestamp() + 3600.0 * np.arange(len(values))
    return HourlySeries(location, hours, t, values, vapour_pressure(t, values), nothing, uncertainty, "p")


def settled(state: str = "equilibrated", predicted: float = 80.0, half: float = 1.0) -> Equilibrium:
    return Equilibrium(
        state=state,
        predicted_rh=predicted,
        low=predicted - half,
        high=predicted + half,
        clock_started=START,
    )


def compared(
    job: JobFile, name: str, all_series: list[HourlySeries], states: dict[str, Equilibrium] | None = None
) -> list[Comparison]:
    by_id = {track.location.id: track for track in all_series}
    found: dict[str, Equilibrium | None] = {key: (states or {}).get(key, settled()) for key in by_id}
    clocks = dict.fromkeys(by_id, START.timestamp())
    return depth_comparisons(job, job.location(name), by_id, found, clocks, PRESSURE, OPTIONS)


def pair(shallow_rh: float, deep_rh: float, **about: object) -> tuple[JobFile, list[HourlySeries]]:
    shallow, deep = sleeve("a", 30.0, **about), sleeve("b", 80.0, **about)
    return job_of(shallow, deep), [track_of(shallow, shallow_rh), track_of(deep, deep_rh)]


@pytest.mark.parametrize("seen_from", ["a", "b"])
@pytest.mark.parametrize(
    ("shallow", "deep", "said"),
    [
        (80.0, 92.0, "comes from behind, or the core is still wet"),  # common practice
        (92.0, 80.0, "came from this side"),  # common practice
        (85.0, 86.5, "No clear difference"),
    ],
)
def test_the_wetter_depth_tells_where_the_moisture_comes_from(
    shallow: float, deep: float, said: str, seen_from: str
) -> None:
    job, all_series = pair(shallow, deep)
    (found,) = compared(job, seen_from, all_series)
    assert found.role == "depth"
    assert said in sentence(found)


def test_in_a_slab_that_dries_from_both_faces_the_deep_part_is_the_core() -> None:
    job, all_series = pair(80.0, 92.0, drying_sides=2, slab_thickness_mm=200.0)
    (found,) = compared(job, "b", all_series)
    assert sentence(found).endswith("The core is still wet.")


def test_a_difference_within_the_probes_uncertainty_is_none() -> None:
    # two probes of ±2 % RH: u = 1.15 each (JCGM 100:2008, 4.3.7), 1.63 together; k = 2 makes 3.3 % RH
    shallow, deep = sleeve("a", 30.0), sleeve("b", 80.0)
    uncertainty = Uncertainty(0.2, 2.0 / np.sqrt(3.0))
    for more, clear in ((3.0, False), (3.6, True)):
        all_series = [track_of(shallow, 85.0, 20.0, uncertainty), track_of(deep, 85.0 + more, 20.0, uncertainty)]
        (found,) = compared(job_of(shallow, deep), "b", all_series)
        assert ("No clear difference" in sentence(found)) is not clear


def test_a_sleeve_on_its_way_to_equilibrium_gives_a_prediction_and_no_verdict() -> None:
    job, all_series = pair(60.0, 92.0)
    (found,) = compared(job, "b", all_series, {"a": settled("equilibrating", predicted=80.0)})
    assert found.flow is Flow.UNKNOWN
    assert sentence(found).startswith("Prediction, no verdict")
    assert "80" in sentence(found)
    assert "60" not in sentence(found)


def test_a_sleeve_without_readings_or_prediction_is_left_out() -> None:
    job, all_series = pair(80.0, 92.0)
    early = Equilibrium(state="settling", predicted_rh=None, low=None, high=None, clock_started=START)
    assert compared(job, "b", all_series, {"a": early}) == []
    assert compared(job, "a", all_series, {"a": early}) == []
    silent = replace(all_series[0], relative_humidity_pct=np.full(len(all_series[0]), np.nan))
    assert compared(job, "b", [silent, all_series[1]]) == []
    assert compared(job, "b", [all_series[1]]) == []


def test_a_warmer_depth_is_compared_as_at_the_same_temperature() -> None:
    # sealed concrete of 85 %: +0.43 %RH per kelvin (Bažant and Najjar 1972), so 10 K explain 4.3 % RH
    shallow, deep = sleeve("a", 30.0), sleeve("b", 80.0)
    uncertainty = Uncertainty(0.15, 0.5)
    all_series = [track_of(shallow, 85.0, 20.0, uncertainty), track_of(deep, 85.0 + 4.0, 30.0, uncertainty)]
    (found,) = compared(job_of(shallow, deep), "b", all_series)
    assert "No clear difference" in sentence(found)
    assert found.flow is Flow.OUT_OF  # the warmer concrete drives vapour out all the same


@settings(max_examples=40)
@given(st.floats(40, 99), st.floats(40, 99))
def test_each_sleeve_sees_the_other_as_it_is_seen(shallow: float, deep: float) -> None:
    job, all_series = pair(shallow, deep)
    (up,), (down,) = compared(job, "a", all_series), compared(job, "b", all_series)
    assert up.vapour_pressure_difference is not None
    assert down.vapour_pressure_difference is not None
    assert up.vapour_pressure_difference.value == pytest.approx(-down.vapour_pressure_difference.value, abs=1e-9)
    assert up.vapour_pressure_difference.u == pytest.approx(down.vapour_pressure_difference.u)
    opposite = {Flow.OUT_OF: Flow.INTO, Flow.INTO: Flow.OUT_OF}
    assert down.flow is opposite.get(up.flow, up.flow)


def test_sleeves_of_other_slabs_are_not_compared() -> None:
    series = sleeve("a", 30.0)
    job = job_of(series, sleeve("b", 80.0))
    assert same_slab(job, series, job.location("b"))
    for other in (
        sleeve("c", 80.0, slab_thickness_mm=120.0),
        sleeve("c", 80.0, drying_sides=2),
        sleeve("c", 80.0, reference="room"),
        Location(id="c", kind=LocationKind.CAVITY),
        Location(id="c", kind=LocationKind.SLAB_SLEEVE),
    ):
        assert not same_slab(job_of(series, other), series, other)
    lonely = job_of(series, sleeve("c", 80.0, drying_sides=2))
    assert compared(lonely, "a", [track_of(p, 80.0) for p in lonely.locations[1:]]) == []


def test_depths_within_five_millimetres_are_one_level() -> None:
    locations = [sleeve("a", 30.0), sleeve("b", 33.0), sleeve("c", 80.0), sleeve("d", 60.0)]
    job = job_of(*locations)
    assert [[p.id for p in level] for level in levels_of(job, locations[0])] == [["a", "b"], ["d"], ["c"]]
    all_series = [track_of(p, 80.0 + 0.1 * (p.depth_mm or 0.0)) for p in locations]
    assert [c.against for c in compared(job, "a", all_series)] == ["d", "c"]


def test_several_positions_count_by_their_mean_with_their_spread_as_uncertainty() -> None:
    locations = [sleeve("a", 30.0), sleeve("b", 80.0), sleeve("c", 80.0), sleeve("d", 80.0)]
    even = [track_of(p, rh) for p, rh in zip(locations, (82.0, 88.0, 88.0, 88.0), strict=True)]
    uneven = [track_of(p, rh) for p, rh in zip(locations, (82.0, 80.0, 88.0, 96.0), strict=True)]
    (alike,), (spread,) = compared(job_of(*locations), "a", even), compared(job_of(*locations), "a", uneven)
    assert "mean of 3 sleeves" in sentence(alike)
    assert "comes from behind" in sentence(alike)
    assert "No clear difference" in sentence(spread)
    one = spread.vapour_pressure_difference
    assert one is not None
    # spread of 8 % RH between three positions, for this one position against their mean: 8·sqrt(1 + 1/3)
    assert one.u == pytest.approx(8.0 * np.sqrt(4 / 3) * float(vapour_pressure(18.0, 100.0)) / 100.0, rel=0.05)


@lru_cache(maxsize=8)
def _dried(tightness: float, wet_side: float | None, days: int) -> Array:
    """Daily humidity at 32 and 80 mm in a slab of 100 mm, its face held at 50 % RH, (days, 2). [%]"""
    n, dt = 40, 86_400.0 / 4
    dx, h, rows = 0.1 / n, np.full(n, 0.97), []
    centres = (np.arange(n) + 0.5) * dx
    for step in range(4 * days):
        if step % 4 == 0:
            rows.append(np.interp([0.032, 0.080], centres, 100.0 * h))
        d = 3.5e-10 * tightness * relative_diffusivity(h) * dt / dx**2
        face = 0.5 * (d[1:] + d[:-1])
        band, right = np.zeros((3, n)), h.copy()
        band[1] = 1.0
        band[1, :-1] += face
        band[1, 1:] += face
        band[0, 1:], band[2, :-1] = -face, -face
        band[1, 0] += 2.0 * d[0]
        right[0] += 2.0 * d[0] * 0.5
        if wet_side is not None:
            band[1, -1] += 2.0 * d[-1]
            right[-1] += 2.0 * d[-1] * wet_side
        h = solve_banded((1, 1), band, right)
    return np.array(rows)


def judged(tightness: float, wet_side: float | None, day: int, noise_pct: float = 0.15) -> Fed:
    daily = _dried(tightness, wet_side, 240)
    hours = np.arange(24 * day)
    rng = np.random.default_rng(day)
    all_series = [
        track_of(sleeve(name, depth), np.interp(hours / 24.0, np.arange(240), daily[:, k]) + noise, 20.0)
        for k, (name, depth, noise) in enumerate(
            (name, depth, noise_pct * rng.standard_normal(len(hours))) for name, depth in (("a", 32.0), ("b", 80.0))
        )
    ]
    return feeding(all_series[1], all_series[0], START.timestamp(), 100.0)


@pytest.mark.parametrize("tightness", [0.5, 1.0, 2.0])
def test_a_slab_with_a_sealed_far_side_is_never_called_fed(tightness: float) -> None:
    verdicts = [judged(tightness, None, day).verdict for day in range(20, 240, 10)]
    assert Feeding.FED not in verdicts
    assert verdicts.count(Feeding.NOT_FED) >= 15


@pytest.mark.parametrize("tightness", [0.5, 1.0, 2.0])
def test_a_slab_kept_wet_from_behind_is_called_fed_once_it_stands_still(tightness: float) -> None:
    late = [judged(tightness, 0.97, day) for day in range(200, 240, 10)]
    assert [fed.verdict for fed in late] == [Feeding.FED] * 4
    assert late[0].far_side is FarSide.NEITHER_FALLS


def test_a_deep_sleeve_that_gets_wetter_is_fed() -> None:
    rising = track_of(sleeve("b", 80.0), 88.0 + 0.1 * np.arange(24 * 30) / 24.0)
    found = feeding(rising, track_of(sleeve("a", 30.0), 80.0), START.timestamp(), 100.0)
    assert found.verdict is Feeding.FED


def test_a_deep_sleeve_that_holds_while_the_shallow_one_falls_may_not_have_been_reached_yet() -> None:
    falling = track_of(sleeve("a", 30.0), 90.0 - 0.2 * np.arange(24 * 30) / 24.0)
    found = feeding(track_of(sleeve("b", 80.0), 97.0), falling, START.timestamp(), 100.0)
    assert found.verdict is Feeding.PERHAPS
    assert found.far_side is FarSide.DEEP_HOLDS


def test_nothing_is_said_of_feeding_before_two_weeks() -> None:
    # a week of approach, then eight days of readings
    for days, known in ((14, False), (16, True)):
        all_series = [
            track_of(sleeve(n, d), np.full(24 * days, rh)) for n, d, rh in (("b", 80.0, 95.0), ("a", 30.0, 85.0))
        ]
        found = feeding(*all_series, START.timestamp(), 100.0)
        assert (found.verdict is not Feeding.UNKNOWN) is known


def test_without_a_thickness_a_deep_sleeve_that_holds_is_fed_only_perhaps() -> None:
    all_series = [track_of(sleeve(n, d), rh) for n, d, rh in (("b", 80.0, 95.0), ("a", 30.0, 85.0))]
    assert feeding(*all_series, START.timestamp(), 100.0).verdict is Feeding.FED
    assert feeding(*all_series, START.timestamp(), None).verdict is Feeding.PERHAPS


def test_the_expected_loss_is_the_mass_balance_behind_the_sleeves() -> None:
    # by hand, D = 3.5E-10 m²/s (above 90 %, at 25 °C), 4 %RH over 50 mm, 45 mm behind: 3.5E-10·80/0.045·86400
    by_hand = 3.5e-10 * (4.0 / 0.050) / 0.045 * 86_400.0
    assert expected_loss(98.0, 94.0, 80.0, 30.0, 100.0, 25.0) == pytest.approx(by_hand, rel=1e-3)
    # twenty times slower below 60 % (the 1972 paper: 10 to 20 times between 0.9 and 0.6)
    slow = expected_loss(60.0, 56.0, 80.0, 30.0, 100.0, 25.0)
    assert slow == pytest.approx(0.05 * by_hand, rel=0.01)
    assert expected_loss(98.0, 94.0, 80.0, 30.0, 55.0, 25.0) is None
