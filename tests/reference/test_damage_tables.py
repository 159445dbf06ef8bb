"""Published tables held against what the analysis says of a location, not only against the formulas.

Sources: surface humidity and margins by ASHRAE Handbook—Fundamentals 2017 ch. 1; EN ISO 13788:2012 with the design case
of DIN 4108-2; Hukka and Viitanen 1999 with the classes of Ojanen et al. 2010; USDA Wood Handbook Table 4-2.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import psychrolib
import pytest
from damage_support import NO_UNCERTAINTY, job_of, location, newest, surface_of_hours, surface_risk, track

from monitord.analysis.air.ventilation import VentilationDay, ventilation
from monitord.analysis.surfaces.mould_risk import mould_risk
from monitord.analysis.wood.wood_moisture import wood_moisture
from monitord.model.config.analysis_options import AnalysisOptions

OPTIONS = AnalysisOptions()
UTC = ZoneInfo("UTC")
psychrolib.SetUnitSystem(psychrolib.SI)

# air °C, %RH; surface °C; surface humidity %, margin K
SURFACES = [
    (20, 50, 12.6, 80.15, 3.33),
    (20, 60, 15, 82.28, 2.99),
    (20, 60, 10, 114.3, -2.01),
    (22, 45, 8, 110.9, -1.53),
    (15, 70, 11, 90.94, 1.42),
]


@pytest.mark.parametrize(("t", "rh", "surface", "surface_rh", "margin"), SURFACES)
def test_a_contact_sensor_gives_the_tabled_humidity_and_margin(t, rh, surface, surface_rh, margin):
    """Printed to 0.01 (0.1 over 100 %), so half of the last digit."""
    found = surface_risk(newest(location("surface"), t, rh, surface), None, None, OPTIONS)
    assert found is not None
    assert found[0].surface_rh.value == pytest.approx(surface_rh, abs=0.05 if surface_rh > 100 else 0.006)
    assert found[0].margin.value == pytest.approx(margin, abs=0.006)


# room °C, %RH, outdoor °C, least surface °C, factor: EN ISO 13788:2012, first row the design case of DIN 4108-2
FACTORS = [
    (20, 50, -5, 12.62, 0.705),
    (20, 50, 0, 12.62, 0.631),
    (20, 60, 0, 15.43, 0.772),
    (20, 65, 5, 16.69, 0.779),
    (18, 70, 5, 15.89, 0.838),
]


@pytest.mark.parametrize(("room_c", "rh", "outdoor_c", "surface_c", "factor"), FACTORS)
def test_the_temperature_factor_gives_the_design_surface(room_c, rh, outdoor_c, surface_c, factor):
    """The factor is printed to 0.0005, of 25 K; the standard's own saturation curve differs by 0.1 %."""
    room = newest(location("room_air", f_rsi=factor), room_c, rh)
    outdoor = newest(location("outdoor_air", "out"), outdoor_c, 80)
    found = surface_risk(room, room, outdoor, OPTIONS)
    assert found is not None
    assert found[0].source == "temperature factor"
    assert found[0].surface_temperature.value == pytest.approx(surface_c, abs=0.02)
    assert found[0].surface_rh.value == pytest.approx(80.0, abs=0.3)


# class, °C, %RH, index after 28, 84, 364 days; W = 0 as the program takes it; explicit steps of an hour, 0.01
MOULD = [
    ("very_sensitive", 20, 97, (4.3575, 5.5039, 5.5039)),
    ("very_sensitive", 20, 90, (0.9516, 3.9187, 3.9950)),
    ("very_sensitive", 10, 95, (1.5184, 4.9984, 5.0104)),
    ("very_sensitive", 5, 90, (0.3663, 1.1453, 2.1040)),
    ("sensitive", 20, 97, (1.3734, 3.4297, 4.6762)),
    ("medium_resistant", 20, 97, (0.1939, None, None)),
    ("resistant", 20, 97, (0.0873, None, None)),
    ("medium_resistant", 25, 85, (0.0, 0.0, 0.0)),
    ("resistant", 25, 85, (0.0, 0.0, 0.0)),
]


def mould(location, t, rh, n=None, surface=np.nan):
    series = track(location, t, rh, n, surface, uncertainty=NO_UNCERTAINTY)
    found = mould_risk(series, surface_of_hours(series, None, None, OPTIONS), series.end_s, UTC, OPTIONS)
    assert found is not None
    return found


@pytest.mark.parametrize(("name", "t", "rh", "indices"), MOULD)
def test_the_mould_index_of_a_location_follows_the_table(name, t, rh, indices):
    for days, index in zip((28, 84, 364), indices, strict=True):
        if index is not None:
            found = mould(location(mould_sensitivity=name), t, rh, 24 * days)
            assert found.index == pytest.approx(index, abs=0.01), days
            assert found.material == name
            assert found.unknown_share == 0.0


def test_the_index_is_that_of_the_surface_where_one_is_touched():
    """Air of 20 °C whose vapour is 95 % of saturation at 10 °C, on a surface of 10 °C: the row 10/95."""
    vapour = 0.95 * psychrolib.GetSatVapPres(10.0)
    rh = 100 * vapour / psychrolib.GetSatVapPres(20.0)
    found = mould(location(), 20, rh, 24 * 28, surface=10.0)
    assert found.index == pytest.approx(1.5184, abs=0.01)
    assert found.surface_source == "contact sensor"


@pytest.mark.parametrize(
    ("wet_h", "dry_h", "index"), [(12, 12, 1.2766), (48, 120, 0.4824)], ids=["half days", "two days in seven"]
)
def test_cycles_of_wet_and_dry_follow_the_table(wet_h, dry_h, index):
    humidity = np.tile(np.r_[np.full(wet_h, 97.0), np.full(dry_h, 60.0)], 28)[: 24 * 28]
    assert mould(location(), 20.0, humidity, 24 * 28).index == pytest.approx(index, abs=0.01)


# days to index 1 in the table, from Hukka and Viitanen's law at constant conditions
@pytest.mark.parametrize(("t", "rh", "days"), [(20, 97, 10.42), (20, 90, 29.46), (10, 95, 22.25)])
def test_days_to_first_growth_at_the_present_rate(t, rh, days):
    """Half way to index 1 the rate of the last week leads there on the tabled day, within a tenth."""
    half = round(24 * days / 2)
    found = mould(location(), t, rh, half)
    assert found.days_to_1 is not None
    assert half / 24 + found.days_to_1 == pytest.approx(days, rel=0.1)


# Wood Handbook Table 4-2, 70 °F: humidity, moisture content
WOOD = [(30, 6.2), (50, 9.2), (65, 12.0), (80, 16.0), (85, 17.9)]


@pytest.mark.parametrize(("rh", "content"), WOOD)
def test_timber_in_steady_air_comes_to_the_tabled_moisture_content(rh, content):
    """Table to 0.1; the formula keeps within 0.06 of it."""
    series = track(location("subfloor_void"), 21.1, rh, 24 * 30)
    found = wood_moisture(series, series.end_s, OPTIONS)
    assert found is not None
    assert found.value.value == pytest.approx(content, abs=0.11)


def test_timber_follows_a_step_of_its_air_by_the_exponential():
    """1 - 1/e of a step after one time constant (14 days)."""
    rh = np.r_[np.full(24, 50.0), np.full(24 * 14, 85.0)]
    series = track(location(), 21.1, rh, len(rh))
    found = wood_moisture(series, series.end_s, OPTIONS)
    assert found is not None
    low, high = 9.2, 17.9
    assert found.value.value == pytest.approx(low + (high - low) * 0.63212, abs=0.1)


def test_water_that_ventilation_carries_out_agrees_with_psychrolib():
    """Dry air of the room's state times the difference of humidity ratios; psychrolib 2.5, ASHRAE 2017 ch. 1."""
    room, out = location("room_air", "room"), location("outdoor_air", "out")
    job = job_of(room, out, elevation_m=500)
    options = AnalysisOptions(airing_changes_per_h=2.0, airing_volume_m3=75.0)
    airs = {"room": newest(room, 22.0, 60.0), "out": newest(out, 5.0, 90.0)}
    found = ventilation(job, room, airs, {}, VentilationDay(), options)
    assert found is not None
    pressure = psychrolib.GetStandardAtmPressure(500)
    w_room, w_out = (psychrolib.GetHumRatioFromRelHum(t, rh, pressure) for t, rh in ((22.0, 0.6), (5.0, 0.9)))
    dry_air = 1.0 / psychrolib.GetMoistAirVolume(22.0, w_room, pressure)
    assert found.water is not None
    assert found.water.value == pytest.approx(1000 * 150.0 * dry_air * (w_room - w_out), rel=2e-3)
    assert found.effect == "dries"


def test_higher_humidity_outdoors_can_be_the_drier_air():
    """20 °C/50 % against 5 °C/90 %: 1169.4 and 785.2 Pa, ideal-gas ASHRAE equations."""
    room, out = location("room_air", "room"), location("outdoor_air", "out")
    airs = {"room": newest(room, 20.0, 50.0), "out": newest(out, 5.0, 90.0)}
    found = ventilation(job_of(room, out), room, airs, {}, VentilationDay(), OPTIONS)
    assert found is not None
    assert found.difference is not None
    assert found.difference.value == pytest.approx(1169.4 - 785.2, abs=0.1)
