"""A year of real weather (typical meteorological years inside the pvlib package, US-government data).

Dew points are recomputed from temperature and relative humidity and held against the file's own; the years then go
through condensation, mould, wood and ventilation, with counts checked against computations written here on their own.
Rows within 6 h of a month's boundary are dropped for the dew point: there each column is smoothed on its own and rows
disagree by up to 6 K.
"""

import csv
import importlib.util
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from monitord.physics.moist_air import dew_or_frost_point, dew_point, humidity_ratio, vapour_pressure
from monitord.physics.mould.criteria import ashrae_160_exceeded, monthly_surface_humidity
from monitord.physics.mould.index import SENSITIVITIES, MouldMaterial, mould_growth_rate, mould_run
from monitord.physics.surfaces import (
    condensation_margin,
    surface_relative_humidity,
    surface_temperature_from_factor,
)
from monitord.physics.wood import equilibrium_moisture_content, lagged

DATA = Path(importlib.util.find_spec("pvlib").origin).parent / "data"


@cache
def tmy3(name):
    """Month, dry bulb [°C], dew point [°C], relative humidity [%] of each hour of a TMY3 file."""
    with open(DATA / name, newline="", encoding="latin-1") as file:
        file.readline()  # the station
        rows = list(csv.DictReader(file))
    month = np.array([int(row["Date (MM/DD/YYYY)"][:2]) for row in rows])
    columns = ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)")
    return month, *(np.array([float(row[c]) for row in rows]) for c in columns)


@cache
def tm2(name):
    """The same of a TM2 file: fixed columns, temperatures in 0.1 °C (TMY2 User's Manual 1995, Table 3-2)."""
    lines = (DATA / name).read_text(encoding="latin-1").splitlines()[1:]
    month = np.array([int(line[3:5]) for line in lines])
    t = np.array([int(line[67:71]) / 10 for line in lines])
    td = np.array([int(line[73:77]) / 10 for line in lines])
    return month, t, td, np.array([float(line[79:82]) for line in lines])


def away_from_boundaries(month):
    """True for rows at least 6 h from where the month changes."""
    boundaries = np.flatnonzero(np.diff(month)) + 1
    hour = np.arange(len(month)) + 0.5
    return np.all(np.abs(hour[:, np.newaxis] - boundaries) > 6.0, axis=1)


# file, reader, convention of RH below 0 °C, dew point over; rms, 95th and 99th percentile of |error| [K] as found
# before with other code. Rounding to 0.1 K and 1 %RH sets the floor. 5 % of margin, for the choice of
# dropped rows.
STATIONS = [
    ("703165TY.csv", tmy3, "ice", dew_or_frost_point, 0.121, 0.092, 0.125),
    ("723170TYA.CSV", tmy3, "water", dew_point, 0.269, 0.368, 1.204),
    ("12839.tm2", tm2, "water", dew_point, 0.085, 0.163, 0.214),
]


@pytest.mark.parametrize(
    ("name", "reader", "over", "function", "rms", "p95", "p99"), STATIONS, ids=lambda v: str(v)[:13]
)
def test_dew_points_of_a_year_of_weather(name, reader, over, function, rms, p95, p99):
    month, t, td, rh = reader(name)
    keep = away_from_boundaries(month)
    assert len(t) == 8760
    assert np.count_nonzero(~keep) == 11 * 12
    error = np.abs(function(vapour_pressure(t, rh, over)) - td)[keep]
    assert math.sqrt(np.mean(error**2)) <= 1.05 * rms
    assert np.percentile(error, 95) <= 1.05 * p95
    assert np.percentile(error, 99) <= 1.05 * p99


def test_the_convention_below_zero_shows_in_the_weather():
    """Sand Point reports RH over ice, Greensboro over water: taken the other way, the frosty hours are off."""
    for name, right, wrong, function in (
        ("703165TY.csv", "ice", "water", dew_or_frost_point),
        ("723170TYA.CSV", "water", "ice", dew_point),
    ):
        month, t, td, rh = tmy3(name)
        frosty = away_from_boundaries(month) & (t < -1.0)
        error = {o: np.mean(np.abs(function(vapour_pressure(t, rh, o)) - td)[frosty]) for o in (right, wrong)}
        assert error[right] < 0.5 * error[wrong]


ROOM_C, GAIN_PA, F_RSI = 20.0, 700.0, 0.55


def indoor_vapour(t, rh):
    """Vapour pressure of a drying room: outdoor vapour and a constant gain of our own choice."""
    return vapour_pressure(t, rh) + GAIN_PA


def direct_saturation(t):
    """ASHRAE 2017 ch. 1 eqs. 5 and 6, typed a second time, one number at a time. [Pa]"""
    k = t + 273.15
    if t < 0.01:
        powers = -9.677843e-3 * k + 6.2215701e-7 * k**2 + 2.0747825e-9 * k**3 - 9.484024e-13 * k**4
        return math.exp(-5.6745359e3 / k + 6.3925247 + powers + 4.1635019 * math.log(k))
    powers = -4.8640239e-2 * k + 4.1764768e-5 * k**2 - 1.4452093e-8 * k**3
    return math.exp(-5.8002206e3 / k + 1.3914993 + powers + 6.5459673 * math.log(k))


def direct_outdoor_vapour(t, rh):
    """RH over water: WMO-No. 8 Magnus below 0 °C. [Pa]"""
    p_ws = direct_saturation(t) if t >= 0.01 else 611.2 * math.exp(17.62 * t / (243.12 + t))
    return rh / 100 * p_ws


def test_condensation_and_ventilation_over_a_year():
    """Hours that condense, and hours in which outdoor air would dry the room, in Greensboro: as counted directly.

    The direct count compares pressures, ours temperatures; an hour in 8760 may fall on the other side by the join of
    the Magnus form at 0 °C (0.0003 K).
    """
    _, t, _, rh = tmy3("723170TYA.CSV")
    indoor = indoor_vapour(t, rh)
    surface = surface_temperature_from_factor(F_RSI, ROOM_C, t)
    condensing = int(np.count_nonzero(condensation_margin(surface, indoor) <= 0.0))
    direct_condensing = direct_drier = 0
    for t_out, rh_out in zip(t.tolist(), rh.tolist(), strict=True):
        vapour = direct_outdoor_vapour(t_out, rh_out)
        surface_t = t_out + F_RSI * (ROOM_C - t_out)
        direct_condensing += vapour + GAIN_PA >= direct_saturation(surface_t)
        direct_drier += vapour < 1200.0
    assert abs(condensing - direct_condensing) <= 1
    assert condensing > 100
    # ventilation: against a room held at 1200 Pa, by humidity ratio as by vapour pressure
    room_w = humidity_ratio(1200.0, 98_000.0)
    drier = int(np.count_nonzero(humidity_ratio(vapour_pressure(t, rh), 98_000.0) < room_w))
    assert abs(drier - direct_drier) <= 1
    assert 1000 < drier < 8000


def direct_mould_year(t, rh, k1_low, k1_high, a, b, c, lowest):
    """The VTT model one hour at a time; hours of growth and the index at the end of each hour."""
    m, dry, growing, out = 0.0, 0, 0, []
    for temp, given in zip(t, rh, strict=True):
        humidity = min(given, 100.0)
        critical = max(-0.00267 * temp**3 + 0.16 * temp**2 - 3.13 * temp + 100, lowest) if temp <= 20 else lowest
        if humidity >= critical and 0 < temp < 50:
            x = (critical - humidity) / (critical - 100)
            k2 = max(1 - math.exp(2.3 * (m - (a + b * x - c * x**2))), 0)
            per_week = math.exp(0.68 * math.log(temp) + 13.9 * math.log(humidity) - 66.02)
            m += (k1_low if m < 1 else k1_high) * k2 * per_week / 7 / 24
            dry, growing = 0, growing + 1
        else:
            m = max(m - (0.032 if dry < 6 else 0.0 if dry < 24 else 0.016) / 24, 0)
            dry += 1
        out.append(m)
    return growing, out


def test_mould_over_a_year_of_weather():
    """All classes on the cold surface: hours of growth, highest index and days over 1 as computed directly."""
    month, t, _, rh = tmy3("723170TYA.CSV")
    surface = surface_temperature_from_factor(F_RSI, ROOM_C, t)
    surface_rh = surface_relative_humidity(surface, indoor_vapour(t, rh), over="water")
    classes = list(SENSITIVITIES.values())
    run = mould_run(
        np.repeat(surface[:, np.newaxis], 4, axis=1),
        np.repeat(surface_rh[:, np.newaxis], 4, axis=1),
        [MouldMaterial(s) for s in classes],
    )
    assert np.all(np.isfinite(run.index))
    assert np.all(run.state.unknown_hours == 0.0)
    for j, s in enumerate(classes):
        growing, index = direct_mould_year(
            surface.tolist(), surface_rh.tolist(), s.k1_below, s.k1_from_1, s.a, s.b, s.c, s.lowest_rh_pct
        )
        assert run.index[:, j] == pytest.approx(index, abs=1e-6)
        assert np.count_nonzero(run.index[:, j] >= 1.0) == np.count_nonzero(np.array(index) >= 1.0)
        assert growing > 500
        if j == 0:  # only this class has room to grow whenever it is humid enough
            rate = mould_growth_rate(surface, surface_rh, 0.0, MouldMaterial(s))
            assert np.count_nonzero(rate > 0.0) == growing
    assert run.index[:, 0].max() > 3.0
    assert np.all(np.diff(run.index.max(axis=0)) <= 0.0)  # the classes keep their order

    # the standards' criteria on the same year, against plain means
    monthly = monthly_surface_humidity(month, surface_rh)
    for number, exceeded in zip(monthly.month, monthly.exceeded, strict=True):
        assert exceeded == float(np.mean(np.minimum(surface_rh[month == number], 100.0)) > 80.0)
    verdict = ashrae_160_exceeded(surface, surface_rh)
    for end in range(720, 8761, 500):
        mean_rh = np.mean(np.minimum(surface_rh[end - 720 : end], 100.0))
        assert verdict[end - 1] == float(mean_rh >= 80.0 and 5.0 <= np.mean(surface[end - 720 : end]) <= 40.0)


def test_wood_over_a_year_of_weather():
    """EMC of outdoor air for every hour of three climates; the annual mean at Miami lies in the Wood Handbook's range.

    Wood Handbook ch. 13 gives 13.1 to 14.8 % monthly EMC outdoors for Miami (from memory: about 13 to 15); 0.5 for TMY.
    """
    for name, reader, *_ in STATIONS:
        _, t, _, rh = reader(name)
        emc = equilibrium_moisture_content(t, rh)
        assert np.all((emc > 0.0) & (emc < 31.0))
        held = lagged(emc, 14.0 * 24.0, float(emc[0]))
        assert np.std(held) < 0.6 * np.std(emc)
    month, t, _, rh = tm2("12839.tm2")
    means = [
        equilibrium_moisture_content(float(t[month == m].mean()), float(rh[month == m].mean())) for m in range(1, 13)
    ]
    assert 12.5 < np.mean(means) < 15.5
