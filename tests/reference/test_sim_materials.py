"""Timber, sealed concrete, mould and sleeves of the simulator against published values."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.building.materials import humidity_at_temperature, lining_table, timber_equilibrium, timber_table
from simulators.building.mould import critical_humidity, mould_index
from simulators.probes.sleeves import Sleeve, sleeve_air


@pytest.mark.parametrize(
    ("fahrenheit", "row"),
    [  # Wood Handbook (FPL-GTR-190) Table 4-2: 30, 50, 65, 80, 85 %RH; the formula is within 0.06 %MC of it
        (30, (6.3, 9.5, 12.4, 16.5, 18.5)),
        (50, (6.3, 9.5, 12.3, 16.4, 18.4)),
        (70, (6.2, 9.2, 12.0, 16.0, 17.9)),
        (90, (5.9, 8.9, 11.5, 15.4, 17.3)),
    ],
)
def test_timber_holds_the_water_of_the_wood_handbook(fahrenheit: float, row: tuple[float, ...]) -> None:
    h = np.array([0.30, 0.50, 0.65, 0.80, 0.85])
    assert timber_equilibrium(h, (fahrenheit - 32) / 1.8) == pytest.approx(row, abs=0.065)


def test_a_timber_table_inverts_the_handbook() -> None:
    """20 °C: 12 % at 65.0, 16 % at 79.9, 18 % at 85.0, 20 % at 89.1 %RH (Wood Handbook formula, inverse)."""
    found = 100 * timber_table(20.0).humidity_of(np.array([12.0, 16.0, 18.0, 20.0]))
    assert found == pytest.approx([65.0, 79.9, 85.0, 89.1], abs=0.1)


def test_wet_timber_gives_off_vapour_as_water_does() -> None:
    assert timber_table(15.0).humidity_of(35.0) == 1.0


@pytest.mark.parametrize(("h", "slope"), [(0.6, 0.0050), (0.75, 0.0051), (0.85, 0.0043), (0.95, 0.0021)])
def test_sealed_concrete_grows_damper_with_warmth(h: float, slope: float) -> None:
    """Bažant and Najjar 1972: 0.2 to 0.5 %RH per kelvin, to the printed four decimals."""
    found = humidity_at_temperature(np.array([h]), 21.0) - humidity_at_temperature(np.array([h]), 20.0)
    assert found[0] == pytest.approx(slope, abs=6e-5)


def test_linings_hold_their_water_near_saturation() -> None:
    """Our own shape: it starts dry, ends at 1, and only rises."""
    table = lining_table(0.15)
    assert table.humidity[0] == 0.0
    assert table.humidity[-1] == pytest.approx(1.0)
    assert (np.diff(table.humidity) > 0).all()


@pytest.mark.parametrize(
    ("celsius", "humidity", "at_28", "at_84"),
    [  # Hukka and Viitanen 1999, constant climate from 0, very sensitive, W 0, 1 h explicit steps; tolerance 0.01
        (20.0, 97.0, 4.3575, 5.5039),
        (20.0, 90.0, 0.9516, 3.9187),
        (10.0, 95.0, 1.5184, 4.9984),
        (5.0, 90.0, 0.3663, 1.1453),
    ],
)
def test_mould_grows_as_the_model_says(celsius: float, humidity: float, at_28: float, at_84: float) -> None:
    index = mould_index(np.full(84 * 24, celsius), np.full(84 * 24, humidity))
    assert index[28 * 24 - 1] == pytest.approx(at_28, abs=0.01)
    assert index[-1] == pytest.approx(at_84, abs=0.01)


def test_mould_in_cycles_of_damp_and_dry() -> None:
    """12 h at 97 % and 12 h at 60 %, 20 °C, very sensitive, 28 days: 1.2766 (Hukka and Viitanen 1999)."""
    day = np.where(np.arange(24) < 12, 97.0, 60.0)
    assert mould_index(np.full(28 * 24, 20.0), np.tile(day, 28))[-1] == pytest.approx(1.2766, abs=0.01)


@pytest.mark.parametrize(("celsius", "critical"), [(1, 97.03), (5, 88.02), (10, 82.03), (15, 80.04), (25, 80.0)])
def test_mould_needs_the_published_humidity(celsius: float, critical: float) -> None:
    assert critical_humidity(celsius) == pytest.approx(critical, abs=0.01)


def test_a_sleeve_comes_to_the_concrete_exponentially() -> None:
    """After 1, 2, 3 time constants 0.63212, 0.86466, 0.95021 of the way (exponential approach, tables)."""
    time_s = 600.0 * np.arange(144 * 5)
    n = len(time_s)
    sleeve = Sleeve("s", "slab", 40.0, time_s[0], time_s[0], tau_h=10.0, drilled_k=0.0, mouth=0.0)
    room_pa = np.full(n, 0.5 * 2338.8)
    _, rh = sleeve_air(sleeve, time_s, np.full(n, 0.9), np.full(n, 20.0), np.full(n, 20.0), room_pa)
    sealed = int(np.argmax(rh > rh[0] + 1e-9)) - 1
    way = (rh - rh[sealed]) / (90.0 - rh[sealed])
    assert way[sealed + np.array([60, 120, 180])] == pytest.approx([0.63212, 0.86466, 0.95021], abs=1e-4)


def test_an_opened_sleeve_falls_to_the_room_and_comes_back() -> None:
    time_s = 600.0 * np.arange(144 * 8)
    n = len(time_s)
    opened = (4 * 86_400.0, 4 * 86_400.0 + 3600.0)
    sleeve = Sleeve("s", "slab", 40.0, 0.0, 0.0, tau_h=6.0, openings=(opened,))
    _, rh = sleeve_air(sleeve, time_s, np.full(n, 0.9), np.full(n, 20.0), np.full(n, 20.0), np.full(n, 1170.0))
    before, after = rh[144 * 4 - 1], rh[144 * 4 + 6]
    assert before == pytest.approx(90.0, abs=0.1)
    assert after < 60.0
    assert rh[-1] == pytest.approx(90.0, abs=0.1)


def test_a_probe_warmer_than_the_concrete_reads_drier() -> None:
    """Sensor 1 K warmer: 75 % reads 70.5 at 20 °C (ratio of saturation pressures)."""
    time_s = 600.0 * np.arange(144 * 30)
    n = len(time_s)
    sleeve = Sleeve("s", "slab", 40.0, 0.0, 0.0, tau_h=5.0, drilled_k=0.0, mouth=0.1)
    t, rh = sleeve_air(sleeve, time_s, np.full(n, 0.75), np.full(n, 20.0), np.full(n, 30.0), np.full(n, 1170.0))
    assert t[-1] == pytest.approx(21.0)
    assert rh[-1] == pytest.approx(70.5, abs=0.05)
