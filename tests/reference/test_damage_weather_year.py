"""A year of real weather (US-government TMY files inside the pvlib package) through the analysis of damage.

A room of our own choice stands in the weather: 20.05 °C, 700 Pa more vapour than outdoors, a cold surface of factor
0.55 and, at Sand Point, where it freezes, 0.4. What the analysis counts is held against computations written
here on their own, hour by hour with plain numbers.
"""

from __future__ import annotations

import csv
import importlib.util
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from damage_support import NO_UNCERTAINTY, START_S, job_of, location, surface_of_hours, track, view_of

from monitord.analysis.air.ventilation import ventilation_day
from monitord.analysis.damage import assess_damage
from monitord.analysis.surfaces.mould_risk import mould_risk
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import HOUR_S
from monitord.physics.moist_air import relative_humidity, vapour_pressure
from monitord.physics.surfaces import probability_of_condensation

DATA = Path(importlib.util.find_spec("pvlib").origin).parent / "data"
ROOM_C, GAIN_PA = 20.05, 700.0  # no hour of the files, given to 0.1 K, is just as warm
# a wall without memory, so that a plain count can follow
AT_ONCE = AnalysisOptions(surface_averaging_h=0.0)


@cache
def tmy3(name):
    """Dry bulb [°C] and relative humidity [%] of each hour of a TMY3 file."""
    with open(DATA / name, newline="", encoding="latin-1") as file:
        file.readline()  # the station
        rows = list(csv.DictReader(file))
    return tuple(np.array([float(row[c]) for row in rows]) for c in ("Dry-bulb (C)", "RHum (%)"))


@cache
def all_series(name, factor):
    """Room and outdoor tracks of a year, without uncertainty of the probes."""
    t, rh = tmy3(name)
    outdoor = track(location("outdoor_air", "out"), t, rh, uncertainty=NO_UNCERTAINTY)
    indoor = np.asarray(relative_humidity(np.full_like(t, ROOM_C), vapour_pressure(t, rh) + GAIN_PA))
    room = track(location("room_air", "room", f_rsi=factor), np.full_like(t, ROOM_C), np.minimum(indoor, 100.0),
                 uncertainty=NO_UNCERTAINTY)  # fmt: skip
    return room, outdoor


def saturation(t):
    """ASHRAE 2017 ch. 1 eqs. 5 and 6, typed anew, one number at a time. [Pa]"""
    k = t + 273.15
    if t < 0.01:
        powers = -9.677843e-3 * k + 6.2215701e-7 * k**2 + 2.0747825e-9 * k**3 - 9.484024e-13 * k**4
        return math.exp(-5.6745359e3 / k + 6.3925247 + powers + 4.1635019 * math.log(k))
    powers = -4.8640239e-2 * k + 4.1764768e-5 * k**2 - 1.4452093e-8 * k**3
    return math.exp(-5.8002206e3 / k + 1.3914993 + powers + 6.5459673 * math.log(k))


def outdoor_vapour(t, rh):
    """RH over water: WMO-No. 8 Magnus form below 0 °C. [Pa]"""
    return rh / 100 * (saturation(t) if t >= 0.01 else 611.2 * math.exp(17.62 * t / (243.12 + t)))


@pytest.mark.parametrize(("name", "factor"), [("723170TYA.CSV", 0.55), ("703165TY.csv", 0.4)])
def test_condensing_hours_of_a_year_are_those_of_a_direct_count(name, factor):
    """Ours compare temperatures with the factor's uncertainty at 50 %, the count pressures: an hour may differ."""
    room, outdoor = all_series(name, factor)
    found = surface_of_hours(room, room, outdoor, AT_ONCE)
    assert found is not None
    assert np.isfinite(found.margin_k).all()
    ours = int(np.count_nonzero(probability_of_condensation(found.margin_k, found.u_margin_k) >= 0.5))
    t, rh = tmy3(name)
    direct = 0
    for t_out, rh_out in zip(t.tolist(), rh.tolist(), strict=True):
        inside = min(outdoor_vapour(t_out, rh_out) + GAIN_PA, saturation(ROOM_C))
        direct += inside >= saturation(t_out + factor * (ROOM_C - t_out))
    assert abs(ours - direct) <= 1
    assert 100 < direct < 8000


def direct_mould(surface, humidity):
    """Very sensitive pine, one hour at a time (Hukka and Viitanen 1999)."""
    m, dry = 0.0, 0
    for t, rh in zip(surface, humidity, strict=True):
        critical = max(-0.00267 * t**3 + 0.16 * t**2 - 3.13 * t + 100, 80.0) if t <= 20 else 80.0
        if rh >= critical and 0 < t < 50:
            x = (critical - rh) / (critical - 100)
            k2 = max(1 - math.exp(2.3 * (m - (1 + 7 * x - 2 * x * x))), 0)
            m += (1 if m < 1 else 2) * k2 * math.exp(0.68 * math.log(t) + 13.9 * math.log(rh) - 66.02) / 7 / 24
            dry = 0
        else:
            m = max(m - (0.032 if dry < 6 else 0.0 if dry < 24 else 0.016) / 24, 0)
            dry += 1
    return m


@pytest.mark.parametrize("days", [60, 200, 365])
def test_mould_at_the_cold_surface_is_that_of_a_direct_run(days):
    n = 24 * days
    room, outdoor = (whole_year.last(8760) for whole_year in all_series("723170TYA.CSV", 0.55))
    room, outdoor = (track(x.location, x.temperature_c[:n], x.relative_humidity_pct[:n], uncertainty=NO_UNCERTAINTY)
                     for x in (room, outdoor))  # fmt: skip
    surface = surface_of_hours(room, room, outdoor, AT_ONCE)
    found = mould_risk(room, surface, room.end_s, job_of(room.location).zone, AT_ONCE)
    assert found is not None
    t, rh = (x[:n].tolist() for x in tmy3("723170TYA.CSV"))
    temperatures = [t_out + 0.55 * (ROOM_C - t_out) for t_out in t]
    humidities = [
        min(100.0, 100 * min(outdoor_vapour(a, b) + GAIN_PA, saturation(ROOM_C)) / saturation(s))
        for a, b, s in zip(t, rh, temperatures, strict=True)
    ]
    assert found.index == pytest.approx(direct_mould(temperatures, humidities), abs=2e-3)
    assert found.low <= found.index <= found.high


def test_hours_in_which_ventilation_dries_are_those_of_a_direct_count():
    """Day by day over the year, against a room held at 1200 Pa; without uncertainty any difference counts."""
    t, rh = tmy3("723170TYA.CSV")
    outdoor = location("outdoor_air", "out")
    room_rh = 100 * 1200.0 / saturation(ROOM_C)
    ours = direct = 0
    for day in range(0, 365):
        part = slice(24 * day, 24 * day + 24)
        found = ventilation_day(
            track(location("room_air"), ROOM_C, room_rh, 24, uncertainty=NO_UNCERTAINTY),
            track(outdoor, t[part], rh[part], uncertainty=NO_UNCERTAINTY),
            0.0,
            AT_ONCE,
        )
        assert found.share is not None
        assert found.water is not None
        assert math.isfinite(found.water.value)
        ours += round(24 * found.share)
        direct += sum(outdoor_vapour(a, b) < 1200.0 for a, b in zip(t[part].tolist(), rh[part].tolist(), strict=True))
    assert abs(ours - direct) <= 1
    assert 1000 < direct < 8000


@pytest.mark.parametrize("name", ["723170TYA.CSV", "703165TY.csv"])
def test_a_year_of_weather_leaves_no_value_unhandled(name):
    """Every fortnight of the year, with the usual options: cavity and void in the weather, a room over them."""
    room, outdoor = all_series(name, 0.55)
    t, rh = tmy3(name)
    cavity = track(location("cavity", "cavity", f_rsi=0.3, reference="room"), 0.5 * (t + ROOM_C), np.clip(rh, 5, 100))
    void = track(location("subfloor_void", "void", f_rsi=0.2, reference="room"), 0.3 * ROOM_C + 0.7 * t, rh)
    job = job_of(*(x.location for x in (room, outdoor, cavity, void)), zone="America/New_York")
    seen = set()
    for hour in range(24, 8761, 14 * 24 + 6):
        parts = [cut(x, hour) for x in (room, outdoor, cavity, void)]
        view = assess_damage(job, view_of(*parts), AnalysisOptions())
        for finding in view.findings:
            assert finding.value is None or math.isfinite(finding.value)
            assert finding.measured_at.timestamp() == START_S + HOUR_S * hour
            seen.add((finding.kind, finding.value is not None))
        for damage in view.locations.values():
            if damage.night_ahead is not None:
                assert np.isfinite(damage.night_ahead.margin_k).all()
                assert 0.0 <= damage.night_ahead.probability <= 1.0
            assert damage.mould is None or 0.0 <= damage.mould.low <= damage.mould.high <= 6.0
    assert {("condensation_expected", True), ("mould", True), ("wood_decay", True)} <= seen


def cut(whole, n):
    """The first hours of a track."""
    first = {name: getattr(whole, name)[:n] for name in ("temperature_c", "relative_humidity_pct")}
    return track(whole.location, first["temperature_c"], first["relative_humidity_pct"], uncertainty=whole.uncertainty)
