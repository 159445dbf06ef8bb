"""EN ISO 13788 and ASHRAE 160 criteria against direct means over hand-made records."""

import numpy as np
import pytest

from monitord.physics.mould.criteria import (
    ASHRAE_160_HOURS,
    EARLY_CAUTION_HOURS,
    ashrae_160_exceeded,
    monthly_surface_humidity,
    running_mean,
)

DAY = 24


def test_monthly_mean_over_80_percent_exceeds_en_iso_13788():
    """EN ISO 13788:2012: monthly mean surface humidity at most 80 %."""
    month = np.repeat([24_313, 24_314, 24_315], 30 * DAY)
    rh = np.concatenate([np.full(720, 80.0), np.full(720, 80.5), np.r_[np.full(360, 60.0), np.full(360, 130.0)]])
    result = monthly_surface_humidity(month, rh)
    assert result.month.tolist() == [24_313, 24_314, 24_315]
    # a condensing surface counts as 100 %, so the third month has the mean of 60 and 100
    assert result.mean_pct == pytest.approx([80.0, 80.5, 80.0])
    assert result.exceeded.tolist() == [0.0, 1.0, 0.0]


def test_a_month_known_too_little_has_no_verdict():
    """Our own rule: a gap is unknown, not dry; three quarters of the hours must be known."""
    month = np.repeat([1, 2], 100)
    rh = np.full(200, 95.0)
    rh[:26] = np.nan
    rh[100:125] = np.nan
    result = monthly_surface_humidity(month, rh)
    assert result.known_share == pytest.approx([0.74, 0.75])
    assert np.isnan(result.exceeded[0])
    assert result.exceeded[1] == 1.0


def test_running_mean_is_the_mean_of_each_window():
    """Against numpy.nanmean of each window, taken one by one."""
    rng = np.random.default_rng(11)
    values = rng.normal(70.0, 10.0, (400, 2))
    values[rng.random((400, 2)) < 0.3] = np.nan
    means = running_mean(values, 48, min_known_share=0.7)
    for i in range(400):
        for j in range(2):
            window = values[max(0, i - 47) : i + 1, j]
            known = np.count_nonzero(~np.isnan(window))
            if i < 47 or known < 0.7 * 48:
                assert np.isnan(means[i, j])
            else:
                assert means[i, j] == pytest.approx(np.nanmean(window), rel=1e-12)


def test_ashrae_160_asks_for_30_humid_days_at_growing_temperatures():
    """ASHRAE 160-2009 after Glass et al. 2017: 30-day mean RH under 80 % where the 30-day mean is 5..40 °C."""
    hours = 60 * DAY
    rh = np.r_[np.full(ASHRAE_160_HOURS, 70.0), np.full(hours - ASHRAE_160_HOURS, 90.0)]
    verdict = ashrae_160_exceeded(np.full(hours, 15.0), rh)
    assert np.all(np.isnan(verdict[: ASHRAE_160_HOURS - 1]))
    # half of the window at 90 and half at 70 has a mean of 80: reached, no longer under
    first = ASHRAE_160_HOURS + ASHRAE_160_HOURS // 2 - 1
    assert np.flatnonzero(verdict == 1.0)[0] == first
    assert np.all(verdict[first:] == 1.0)
    assert np.all(ashrae_160_exceeded(np.full(hours, 4.9), rh)[ASHRAE_160_HOURS:] == 0.0)
    assert np.all(ashrae_160_exceeded(np.full(hours, 40.1), rh)[ASHRAE_160_HOURS:] == 0.0)
    assert ashrae_160_exceeded(np.full(hours, 5.0), rh)[-1] == 1.0


def test_the_early_caution_looks_at_seven_days():
    """The same criterion over 168 h; our own choice, so there is no outside value: seven days at 85 % raise it."""
    rh = np.r_[np.full(168, 60.0), np.full(168, 85.0)]
    verdict = ashrae_160_exceeded(np.full(336, 12.0), rh, window_h=EARLY_CAUTION_HOURS)
    assert verdict[167] == 0.0
    assert verdict[-1] == 1.0
