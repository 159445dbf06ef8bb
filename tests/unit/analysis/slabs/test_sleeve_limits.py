"""What is held of a sealed sleeve by made-up records, and just below and just above each of the limits (our choice).

The values behind stand in `slabs/parameters.py`; that the fit finds the end of an exponential approach is held against
closed forms in `tests/reference`.
"""

from __future__ import annotations

import numpy as np
import pytest
from analysis_series import ROOM, SLEEVE, START_S, hours, house, location, noise, track

from monitord.analysis.slabs.depth import levels_of, sleeve_level
from monitord.analysis.slabs.equilibration import Settled, clock_start, settle
from monitord.analysis.slabs.moisture_supply import expected_loss, feeding
from monitord.analysis.slabs.temperature_effect import sleeve_humidity_slope
from monitord.model.assessments import FarSide
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.series import HOUR_S, Array
from monitord.physics.concrete import sealed_humidity_slope

OPTIONS = AnalysisOptions()
WANDERING_C = 18.0 + 2.0 * np.sin(np.arange(400) / 17.0)


def house_of(other_mm: float) -> JobFile:
    """A slab with sleeves at 40 mm and another depth."""
    return house(location(SLEEVE), location(SLEEVE, id="other", depth_mm=other_mm))


def judged(
    n: int,
    *,
    level: float = 88.0,
    step: float = 35.0,
    tau_h: float = 14.0,
    shape: float = 1.0,
    t: Array | None = None,
    a_day: float = 0.0,
    sd: float = 0.1,
    extra: Array | float = 0.0,
) -> Settled:
    """A sleeve that is heading for a level, so many hours after sealing; 0.5 % a kelvin where temperature wanders."""
    age = np.arange(n) + 0.5
    warm = np.full(n, 18.0) if t is None else t[:n]
    more = extra if isinstance(extra, float) else extra[:n]
    humidity = level - step * np.exp(-((age / tau_h) ** shape)) + 0.5 * (warm - 18.0) + a_day * age / 24.0
    return settle(track(location(SLEEVE), warm, humidity + noise(n, sd, 3) + more, n / 24.0), START_S, OPTIONS)


@pytest.mark.parametrize(
    ("n", "record", "level", "width"),
    [
        (5, {}, 89.11, 18.49),
        (5, {"tau_h": 2.5}, 90.62, 7.48),
        (5, {"tau_h": 60.0}, 71.94, 19.44),
        (5, {"level": 70.0, "step": 10.0}, 76.30, 16.49),
        (20, {}, 88.37, 4.28),
        (20, {"t": WANDERING_C}, 89.40, 4.27),
        (20, {"shape": 0.7}, 84.63, 4.26),
        (36, {}, 87.96, 1.57),
        (36, {"tau_h": 60.0}, 85.40, 9.42),
        (62, {"t": WANDERING_C}, 87.59, 1.71),
        (62, {"shape": 0.7}, 87.29, 2.20),
        (62, {"tau_h": 60.0}, 86.45, 7.39),
        (100, {"tau_h": 60.0}, 88.35, 4.47),
    ],
    ids=lambda value: str(value) if isinstance(value, int) else None,
)
def test_what_a_sleeve_is_held_to_head_for(n: int, record: dict[str, float], level: float, width: float) -> None:
    """88 % unless said otherwise; after five hours the prior decides, after a hundred the readings."""
    view = judged(n, **record).view  # type: ignore[arg-type]
    assert view.predicted_rh is not None
    assert view.low is not None
    assert view.high is not None
    assert view.predicted_rh == pytest.approx(level, abs=0.15)
    assert view.high - view.low == pytest.approx(width, abs=0.15)


@pytest.mark.parametrize(("n", "told"), [(2, False), (3, True)])
def test_three_hours_are_predicted_from(n: int, told: bool) -> None:
    assert (judged(n).view.predicted_rh is not None) is told


@pytest.mark.parametrize(("tau_h", "first_h"), [(14.0, 83), (20.0, 101), (30.0, 132), (60.0, 169)])
def test_a_slower_approach_is_over_later_and_after_a_week_in_any_case(tau_h: float, first_h: int) -> None:
    assert not judged(first_h - 2, tau_h=tau_h).equilibrated
    assert judged(first_h + 2, tau_h=tau_h).equilibrated


@pytest.mark.parametrize(("by_pct", "settled"), [(0.6, True), (0.8, False)])
def test_a_sleeve_that_rose_by_seven_tenths_in_a_day_is_not_settled(by_pct: float, settled: bool) -> None:
    rise = by_pct * (np.arange(400) >= 82)
    assert judged(100, tau_h=4.0, sd=0.02, extra=rise).equilibrated is settled


@pytest.mark.parametrize(("by_pct", "settled"), [(0.75, True), (0.95, False)])
def test_a_rise_is_that_of_half_days_a_day_apart(by_pct: float, settled: bool) -> None:
    """Ten hours ago: five sixths of it lie in the last half day."""
    late = by_pct * (np.arange(400) >= 90)
    assert judged(100, tau_h=4.0, sd=0.02, extra=late).equilibrated is settled


# -- opened again ----------------------------------------------------------------------------------------------------


def clock_h(by_pct: float, *, gap_h: int = 0, at_h: int = 100, room_pct: float = 45.0) -> float:
    """When the clock of a sleeve started that fell by so much, after hours of which nothing is known. [h]"""
    humidity = np.full(200, 88.0)
    humidity[at_h:] -= by_pct
    humidity[at_h - gap_h : at_h] = np.nan
    series = track(location(SLEEVE), 18.0, humidity, 200 / 24.0)
    return (clock_start(series, START_S, track(location(ROOM), 20.0, room_pct, 200 / 24.0)) - START_S) / HOUR_S


@pytest.mark.parametrize(("by_pct", "started_h"), [(2.8, 0.0), (3.2, 101.0)])
def test_a_sealed_sleeve_does_not_change_by_three_per_cent_in_an_hour(by_pct: float, started_h: float) -> None:
    assert clock_h(by_pct) == started_h


@pytest.mark.parametrize(("gap_h", "started_h"), [(7, 101.0), (8, 0.0)])
def test_a_change_across_more_than_eight_hours_opens_nothing(gap_h: int, started_h: float) -> None:
    assert clock_h(6.0, gap_h=gap_h) == started_h


@pytest.mark.parametrize(("room_pct", "started_h"), [(83.5, 101.0), (84.5, 0.0)])
def test_a_room_within_four_per_cent_opens_nothing(room_pct: float, started_h: float) -> None:
    assert clock_h(4.5, room_pct=room_pct) == started_h


@pytest.mark.parametrize(("at_h", "started_h"), [(2, 0.0), (5, 6.0)])
def test_the_first_three_hours_are_not_looked_at(at_h: int, started_h: float) -> None:
    assert clock_h(6.0, at_h=at_h) == started_h


# -- temperature, depths ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "last_h", "lately", "as_at"),
    [(25.0, 0, 25.0, 0.30), (99.8, 0, 99.8, 0.99), (60.0, 150, 95.0, 0.95), (60.0, 100, 95.0, 0.60)],
)
def test_the_slope_is_that_of_the_median_of_ten_days(before: float, last_h: int, lately: float, as_at: float) -> None:
    """By the published equation (Bažant and Najjar 1972), from 30 to 99 % on."""
    humidity = np.where(hours(20.0) >= 480 - last_h, lately, before)
    expected = 100.0 * float(sealed_humidity_slope(as_at))
    assert sleeve_humidity_slope(track(location(SLEEVE), 18.0, humidity, 20.0)) == pytest.approx(expected)


def test_of_a_sleeve_that_was_never_heard_85_per_cent_are_taken() -> None:
    silent = track(location(SLEEVE), 18.0, np.nan, 2.0)
    assert sleeve_humidity_slope(silent) == pytest.approx(100.0 * float(sealed_humidity_slope(0.85)))


@pytest.mark.parametrize(("known_h", "told"), [(5, False), (6, True)])
def test_six_hours_of_the_last_day_tell_of_a_depth(known_h: int, told: bool) -> None:
    settled = judged(100, tau_h=4.0).view
    series = track(location(SLEEVE), 18.0, np.where(hours(4.0) < 96 - known_h, np.nan, 85.0), 4.0)
    assert (sleeve_level(series, settled) is not None) is told


def test_depths_are_compared_as_they_would_read_at_20_degrees() -> None:
    settled = judged(100, tau_h=4.0).view
    warm = sleeve_level(track(location(SLEEVE), 20.0, 85.0, 4.0), settled)
    cold = sleeve_level(track(location(SLEEVE), 15.0, 85.0, 4.0), settled)
    assert warm is not None
    assert cold is not None
    assert warm.moisture[0] == pytest.approx(85.0, abs=0.01)
    assert cold.moisture[0] == pytest.approx(85.0 + 5.0 * 100.0 * float(sealed_humidity_slope(0.85)), abs=0.3)


@pytest.mark.parametrize(("other_mm", "levels"), [(44.9, 1), (45.1, 2)])
def test_depths_within_five_millimetres_are_one_level(other_mm: float, levels: int) -> None:
    job = house_of(other_mm)
    assert len(levels_of(job, job.locations[0])) == levels


def far_side(deep_pct: Array, thickness_mm: float = 100.0) -> FarSide:
    """What a sleeve at 80 mm shows of the far side, over one at 30 mm that holds 80 %."""
    deep = track(location(SLEEVE, depth_mm=80.0), 18.0, deep_pct + noise(len(deep_pct), 0.02, 3), 60.0)
    shallow = track(location(SLEEVE, depth_mm=30.0), 18.0, 80.0 + noise(len(deep_pct), 0.02, 4), 60.0)
    return feeding(deep, shallow, START_S - 30 * 24 * HOUR_S, thickness_mm).far_side


DAY = hours(60.0) / 24.0


@pytest.mark.parametrize(("by_pct", "found"), [(0.45, FarSide.NEITHER_FALLS), (0.55, FarSide.DEEP_RISES)])
def test_a_rise_of_half_a_per_cent_in_four_weeks_shows_water_behind(by_pct: float, found: FarSide) -> None:
    assert far_side(90.0 + by_pct * np.clip((DAY - 32.0) / 28.0, 0.0, None)) is found


@pytest.mark.parametrize(("days_ago", "found"), [(16.0, FarSide.NOT_CLEAR), (29.0, FarSide.NEITHER_FALLS)])
def test_what_was_four_weeks_ago_counts_no_more(days_ago: float, found: FarSide) -> None:
    assert far_side(90.0 - 0.1 * np.minimum(DAY, 60.0 - days_ago)) is found


@pytest.mark.parametrize(("share", "found"), [(0.22, FarSide.NEITHER_FALLS), (0.28, FarSide.NOT_CLEAR)])
def test_a_quarter_of_the_loss_of_usual_concrete_is_too_little_for_a_slab_that_is_not_fed(
    share: float, found: FarSide
) -> None:
    """Concrete may be four times tighter. The loss is the published balance's."""
    loss = expected_loss(90.0, 80.0, 80.0, 30.0, 200.0, 18.0)
    assert loss is not None
    assert far_side(90.0 - share * loss * (DAY - 60.0), 200.0) is found
