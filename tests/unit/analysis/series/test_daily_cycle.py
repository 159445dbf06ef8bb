"""A gappy hourly series continued by its daily cycle, and how sure that is."""

from __future__ import annotations

import numpy as np
import pytest
from damage_support import continue_series

from monitord.analysis.series.daily_cycle import _held, _lowest, past_origins, prior_spread
from monitord.model.series import HOUR_S
from simulators.building.climate import ar_noise


def cycle(n, mean=3.0, swing=4.0, lowest_at=4):
    """A margin that swings daily and is least at an hour of the day (UTC). [K]"""
    return mean - swing * np.cos(2 * np.pi * (np.arange(n) - lowest_at) / 24.0)


def test_a_perfect_cycle_goes_on_as_it_was():
    found = continue_series(cycle(24 * 15), 24, 5, 0.4)
    assert found is not None
    assert found.value == pytest.approx(cycle(24 * 16)[-24:], abs=0.02)
    assert found.lowest == pytest.approx(-1.0, abs=0.05)
    assert found.u.max() <= 0.45  # nothing was ever wrong: only the least uncertainty is left, with some of the prior


def test_a_cycle_that_was_lifted_lately_stays_lifted():
    lifted = cycle(24 * 15)
    lifted[-8:] += 2.0
    found = continue_series(lifted, 24, 5, 0.4)
    assert found is not None
    lift = found.value - cycle(24 * 16)[-24:]
    assert lift[0] > 1.0  # more than half of it in the next hour
    assert np.all(np.diff(lift[:16]) < 0.0)  # then it fades, up to the hours that were lifted yesterday
    assert lift[-1] > 0.2


def test_a_steady_fall_is_followed_to_where_it_is():
    """1 K a day: the mean of the last five days lags by two; the forecast keeps to the last day within 0.3 K."""
    falling = cycle(24 * 15) - np.arange(24 * 15) / 24.0
    found = continue_series(falling, 24, 5, 0.4)
    assert found is not None
    assert found.value.mean() == pytest.approx(falling[-24:].mean(), abs=0.3)
    assert found.errors.shape == (len(past_origins(24 * 15)), 24)


@pytest.mark.parametrize("known", [0, 12, 30])
def test_too_little_of_the_last_days_gives_no_forecast(known):
    series = np.full(24 * 10, np.nan)
    series[len(series) - known :] = 2.0
    assert continue_series(series, 24, 5, 0.4) is None
    silent = cycle(24 * 10)
    silent[-7:] = np.nan
    assert continue_series(silent, 24, 5, 0.4) is None


def test_gaps_in_the_past_are_stepped_over():
    gappy = cycle(24 * 15)
    gappy[100:170] = np.nan
    gappy[250:256] = np.nan
    found = continue_series(gappy, 24, 5, 0.4)
    assert found is not None
    assert found.value == pytest.approx(cycle(24 * 16)[-24:], abs=0.05)
    assert np.isfinite([found.lowest, found.u_lowest]).all()


def test_with_few_days_the_usual_spread_is_believed():
    found = continue_series(cycle(60), 24, 5, 0.4)
    assert found is not None
    assert found.u[-1] > 0.5 * prior_spread(24)[-1]


def test_four_in_five_outcomes_lie_in_the_80_percent_interval():
    """On margins with weather in them (autoregressive over three days), 60 of them; binomial uncertainty about 0.04."""
    inside = inside_lowest = total = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        margin = cycle(24 * 16) + ar_noise(rng, 24 * 16, HOUR_S, 3 * 86_400.0, float(rng.uniform(0.8, 3.0)))
        found = continue_series(margin[:-24], 24, 5, 0.4)
        assert found is not None
        inside += int(np.count_nonzero(np.abs(found.value - margin[-24:]) <= 1.2816 * found.u))
        inside_lowest += abs(found.lowest - margin[-24:].min()) <= 1.2816 * found.u_lowest
        total += 24
    assert 0.70 < inside / total < 0.90
    assert 0.68 < inside_lowest / 60 < 0.92


def test_it_beats_taking_the_next_day_for_the_last():
    """Root mean square error against plain persistence, on 60 margins with weather in them."""
    ours, plain = [], []
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        margin = cycle(24 * 16) + ar_noise(rng, 24 * 16, HOUR_S, 3 * 86_400.0, 2.0)
        found = continue_series(margin[:-24], 24, 5, 0.4)
        assert found is not None
        ours.append(found.value - margin[-24:])
        plain.append(margin[-48:-24] - margin[-24:])
    assert np.sqrt(np.mean(np.square(ours))) < 0.95 * np.sqrt(np.mean(np.square(plain)))


# --- how much of what it goes on with -------------------------------------------------------------------------------


def flat_days(*days):
    """Hours of days that are each given by one number or by their 24 hours, after twelve days of 0."""
    return np.concatenate([np.zeros(24 * 12), *(np.broadcast_to(np.asarray(day, dtype=float), 24) for day in days)])


def at_hours(value, *hours):
    """A day that is 0 but for some of its hours."""
    day = np.zeros(24)
    day[list(hours)] = value
    return day


def test_a_day_counts_a_little_more_than_the_one_before_it():
    """An odd noon hour of yesterday against the same a day earlier: more weight, and not a quarter more."""
    later, earlier = (
        continue_series(flat_days(*days), 24, 5, 0.4).value[12]
        for days in ((0.0, 0.0, at_hours(3.0, 12)), (0.0, at_hours(3.0, 12), 0.0))
    )
    assert 1.0 < (later - 0.006) / earlier < 1.25  # 0.006: what the trend adds


def test_one_odd_hour_is_not_carried_on_and_three_are():
    """Of a lift in the newest hours more than half goes on where it held for three hours, less where it is one hour."""
    one = continue_series(flat_days(at_hours(1.0, 23)), 24, 5, 0.4)
    three = continue_series(flat_days(at_hours(1.0, 21, 22, 23)), 24, 5, 0.4)
    assert one.value[0] < 0.5 < three.value[0]
    assert 0.25 < three.value[20] / three.value[0] < 0.75  # where the past tells nothing, between hours and days


def test_a_tenth_of_a_day_to_day_change_goes_on():
    """The last day lies 1 K higher, but its newest hours do not: no distance to carry, only the trend is left."""
    found = continue_series(flat_days(at_hours(1.0, *range(21))), 24, 5, 0.4)
    assert 0.05 < found.value[23] < 0.15


def test_past_forecasts_are_judged_every_six_hours_over_ten_days():
    """Neighbouring hours share their error; what went wrong before ten days ago no longer tells."""
    quiet = flat_days(*[0.0] * 10)
    assert len(continue_series(quiet, 24, 5, 0.0).errors) == 40
    spreads = []
    for days_ago in (8, 13):
        disturbed = quiet.copy()
        disturbed[len(quiet) - 24 * days_ago :][:6] = 5.0
        spreads.append(continue_series(disturbed, 24, 2, 0.0).u[5])
    assert spreads[0] > 1.2 * spreads[1]
    assert spreads[1] == pytest.approx(continue_series(quiet, 24, 2, 0.0).u[5], rel=1e-4)


def test_three_perfect_past_forecasts_leave_three_quarters_of_the_usual_spread():
    """The usual spread counts as a day of past forecasts, four: the square root of 4/7 is left."""
    found = continue_series(cycle(48), 24, 5, 0.0)
    assert 0.70 < found.u[0] / prior_spread(24)[0] < 0.80


def test_the_usual_spread_doubles_over_the_first_day():
    """Forecasts of a surface's margin on simulated winters: 0.6 to 0.7 K off at once, about 1 K after eight hours."""
    usual = prior_spread(48)
    assert 0.6 < usual[0] < 0.7
    assert 0.9 < usual[7] < 1.05
    assert usual[47] == pytest.approx(1.2, abs=0.01)


@pytest.mark.parametrize(("known", "made"), [(35, False), (36, True)])
def test_three_quarters_of_the_last_two_days_must_be_known(known, made):
    gappy = cycle(24 * 10)
    gappy[-48 : -48 + 48 - known] = np.nan
    assert (continue_series(gappy, 24, 5, 0.4) is not None) is made


@pytest.mark.parametrize(("silent", "made"), [(5, True), (6, False)])
def test_one_of_the_newest_six_hours_must_be_known(silent, made):
    series = cycle(24 * 10)
    series[-silent:] = np.nan
    assert (continue_series(series, 24, 5, 0.4) is not None) is made


def test_the_lowest_value_allows_for_how_much_lower_past_ones_came():
    """A mean of days is smoother than any day: noise makes the outcome's lowest hour lower than the cycle's own."""
    noisy = cycle(24 * 15) + np.random.default_rng(4).normal(0.0, 1.0, 24 * 15)
    found = continue_series(noisy, 24, 5, 0.4)
    assert found.lowest < found.value.min() - 0.3


def test_under_a_level_at_which_something_holds_it_a_quarter_of_the_way_is_gone() -> None:
    """At a surface that condenses 0.1 to 0.4 of the way is left (our estimate, `held_share`)."""
    assert _held(np.array([2.0, -1.0]), 0.0) == pytest.approx([2.0, -0.25])


def test_before_nights_differed_the_slope_is_what_the_prior_says() -> None:
    """Forecasts that were all alike tell nothing of a slope: its variance is the prior's (closed form)."""
    alike = np.full(10, 1.0)
    value, sd = _lowest(alike, alike, 5.0, 0.3)
    assert value == pytest.approx(5.0)
    left = 4.0 * 0.3**2 / (10 + 4.0)  # four nights of the usual spread beside ten without error
    assert sd == pytest.approx(np.sqrt(left + (0.5 * (5.0 - 1.0)) ** 2))
