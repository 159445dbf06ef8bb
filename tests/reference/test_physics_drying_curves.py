"""Drying curves against Crank's series as published by polykin, and the rows of exponential laws."""

import numpy as np
import pytest

from monitord.physics.drying_curves import (
    EQUAL_DEPTH_SHARE,
    exponential_remaining,
    exponential_time,
    fourier_number,
    fourier_number_at_mean,
    page_remaining,
    slab_local_remaining,
    slab_mean_remaining,
)


def test_reference_numbers_of_polykin():
    """polykin documentation, uptake_sheet and profile_sheet at Fo 0.25, all printed digits: 1e-9 asked, 1e-12 kept."""
    assert 1.0 - slab_mean_remaining(0.25) == pytest.approx(0.562233541762138, abs=1e-12)
    assert 1.0 - slab_local_remaining(0.25, 0.0) == pytest.approx(0.3145542331096479, abs=1e-12)


# Fo; mean; at 40 % depth; at the sealed face (Crank 1975 §4.3)
SLAB = [
    (0.01, 0.88716, 0.9953, 1.0000),
    (0.02, 0.84042, 0.9545, 1.0000),
    (0.05, 0.74769, 0.7941, 0.9969),
    (0.1, 0.64318, 0.6286, 0.9493),
    (0.2, 0.49591, 0.4616, 0.7723),
    (0.5, 0.23605, 0.2179, 0.3708),
    (1.0, 0.06874, 0.0635, 0.1080),
    (2.0, 0.00583, 0.0054, 0.0092),
]


@pytest.mark.parametrize(("fo", "mean", "at_40", "sealed"), SLAB)
def test_slab_table(fo, mean, at_40, sealed):
    """Half of the last printed digit."""
    assert slab_mean_remaining(fo) == pytest.approx(mean, abs=0.0000051)
    assert slab_local_remaining(fo, 0.6) == pytest.approx(at_40, abs=0.000051)
    assert slab_local_remaining(fo, 0.0) == pytest.approx(sealed, abs=0.000051)


def test_both_forms_of_the_series_agree_with_two_hundred_terms():
    """The trigonometric series with 200 terms, from Fo 0.001 on: 1e-12, on either side of the switch at 0.2."""
    fo = np.geomspace(0.001, 3.0, 60)
    odd = (2 * np.arange(200) + 1)[:, np.newaxis]
    decay = np.exp(-(odd**2) * np.pi**2 * fo / 4)
    assert slab_mean_remaining(fo) == pytest.approx(np.sum(8 / (odd**2 * np.pi**2) * decay, axis=0), abs=1e-12)
    sign = np.where(np.arange(200) % 2 == 0, 1.0, -1.0)[:, np.newaxis]
    for x in (0.0, 0.3, 0.6, 0.9, 1.0):
        local = np.sum(4 * sign / (odd * np.pi) * decay * np.cos(odd * np.pi * x / 2), axis=0)
        assert slab_local_remaining(fo, x) == pytest.approx(local, abs=1e-12)


def test_short_times_follow_the_square_root():
    """Crank 1975: 1 - √(4 Fo/π), better than 1e-9 up to Fo 0.04 (the next term is e^(-1/Fo))."""
    fo = np.linspace(0.0, 0.04, 41)
    assert slab_mean_remaining(fo) == pytest.approx(1.0 - np.sqrt(4 * fo / np.pi), abs=1e-9)


def test_mean_of_the_local_shares_is_the_mean():
    """Conservation: Gauss-Legendre over the thickness."""
    nodes, weights = np.polynomial.legendre.leggauss(40)
    x, w = 0.5 * (nodes + 1), 0.5 * weights
    for fo in (0.03, 0.15, 0.25, 1.0):
        assert np.sum(w * slab_local_remaining(fo, x)) == pytest.approx(slab_mean_remaining(fo), abs=1e-9)


@pytest.mark.parametrize(("mean", "fo"), [(0.5, 0.19673), (0.1, 0.84809), (0.05, 1.12901)])
def test_fourier_number_at_a_mean(mean, fo):
    """Half of the last printed digit."""
    assert fourier_number_at_mean(mean) == pytest.approx(fo, abs=0.0000051)


@pytest.mark.parametrize(("d", "days"), [(1e-9, 22.8), (3e-10, 75.9), (1e-10, 227.7)])
def test_half_drying_time_of_100_mm(d, days):
    """Half of the last printed digit; and four times as long when twice as thick."""
    seconds = fourier_number_at_mean(0.5) * 0.1**2 / d
    assert seconds / 86_400 == pytest.approx(days, abs=0.051)
    assert fourier_number(d, 4 * seconds, 0.2) == pytest.approx(fourier_number(d, seconds, 0.1), rel=1e-12)


def test_the_depth_that_reads_the_mean_tends_to_0_4393():
    assert pytest.approx(0.4393, abs=0.000051) == EQUAL_DEPTH_SHARE
    late = slab_local_remaining(2.0, 1.0 - EQUAL_DEPTH_SHARE)
    assert late == pytest.approx(slab_mean_remaining(2.0), rel=1e-6)


@pytest.mark.parametrize(("taus", "done"), [(1, 0.63212), (2, 0.86466), (3, 0.95021), (4, 0.98168), (5, 0.99326)])
def test_exponential_rows(taus, done):
    """Half of the last printed digit."""
    assert 1.0 - exponential_remaining(12.0 * taus, 12.0) == pytest.approx(done, abs=0.0000051)


@pytest.mark.parametrize(("left", "taus"), [(0.1, 2.30259), (0.05, 2.99573), (0.01, 4.60517), (1 / 40, 3.689)])
def test_exponential_times(left, taus):
    """t90, t95, t99, and within 1 of a step of 40."""
    assert exponential_time(left, 1.0) == pytest.approx(taus, abs=0.00051 if left == 1 / 40 else 0.0000051)


@pytest.mark.parametrize(("t", "ratio"), [(5, 0.65333), (10, 0.45188), (20, 0.22712)])
def test_page_rows(t, ratio):
    """k 0.1, n 0.9; half of the last printed digit. With n 1 it is Lewis' law."""
    assert page_remaining(float(t), 0.1, 0.9) == pytest.approx(ratio, abs=0.0000051)
    assert page_remaining(float(t), 0.1, 1.0) == pytest.approx(exponential_remaining(float(t), 10.0), rel=1e-12)
