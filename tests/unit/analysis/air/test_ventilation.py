"""Ventilation, heating and dehumidifying: which way, by how much, on what it would condense, and how it is said."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from damage_support import NO_UNCERTAINTY, START_S, USUAL, job_of, location, newest, surface_risk, track
from english import ENGLISH
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.air.measures import Balance, as_good_as_first, clearly_helps, measures
from monitord.analysis.air.ventilation import VentilationDay, ventilation, ventilation_day, water_per_hour
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import MeasureEffect, MeasureKind, VentilationEffect, WetPlaces
from monitord.model.jobs import Goal, GoalMetric
from monitord.model.quantity import Quantity
from monitord.physics.moist_air import saturation_vapour_pressure, vapour_pressure
from monitord.physics.uncertainty import combine, u_vapour_pressure
from monitord.text.damage import KINDS, measure_sentence, ventilation_sentence

OPTIONS = AnalysisOptions()
ROOM, OUT = location("room_air", "room", name="kitchen"), location("outdoor_air", "out")
WET = location("cavity", "wet", reference="room", goal=Goal(metric=GoalMetric.RH, limit=70.0))


def advice(room, outdoor, others=(), surfaces=None, day=None, options=OPTIONS):
    airs = {"room": newest(ROOM, *room), "out": newest(OUT, *outdoor)} | {x.location.id: x for x in others}
    job = job_of(ROOM, OUT, *(x.location for x in others))
    found = ventilation(job, ROOM, airs, surfaces or {}, day or VentilationDay(), options)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("room", "outdoor", "effect", "said"),
    [
        ((20, 60), (2, 85), VentilationEffect.DRIES, "Open windows dry now"),
        ((16, 55), (24, 75), VentilationEffect.WETS, "Keep windows shut"),
        ((20, 50), (16, 64), VentilationEffect.NO_CLEAR_DIFFERENCE, "no clear difference"),
    ],
)
def test_the_difference_of_vapour_decides_and_only_if_it_is_larger_than_its_uncertainty(room, outdoor, effect, said):
    found = advice(room, outdoor)
    assert found.effect is effect
    assert said in ventilation_sentence(ENGLISH, found)
    assert found.difference is not None
    expected = vapour_pressure(*map(float, room)) - vapour_pressure(*map(float, outdoor))
    assert found.difference.value == pytest.approx(expected)
    uncertainties = [u_vapour_pressure(float(t), float(rh), USUAL.temperature_k, USUAL.relative_humidity_pct)
              for t, rh in (room, outdoor)]  # fmt: skip
    assert found.difference.u == pytest.approx(combine(*uncertainties))
    assert found.water is not None
    if effect is not VentilationEffect.NO_CLEAR_DIFFERENCE:
        assert np.sign(found.water.value) == np.sign(found.difference.value)


def test_water_is_in_proportion_to_air_change_and_volume():
    small, large = (advice((20, 60), (2, 85), options=AnalysisOptions(airing_changes_per_h=n, airing_volume_m3=v))
                    for n, v in ((1.0, 50.0), (3.0, 100.0)))  # fmt: skip
    assert small.water is not None
    assert large.water is not None
    assert large.water.value == pytest.approx(6 * small.water.value)
    assert large.water.u == pytest.approx(6 * (small.water.u or 0))
    assert "3 air changes an hour in 100 m³" in ventilation_sentence(ENGLISH, large)


def test_what_was_not_heard_at_the_same_time_is_not_known():
    late = newest(OUT, 2, 85)
    moved = type(late)(OUT, type(late.series)(late.series.time_s - 86_400 * 2, *(getattr(late.series, n) for n in (
        "temperature_c", "relative_humidity_pct", "surface_temperature_c", "battery_v", "received_s"))),
        late.uncertainty, late.interval_s, late.humidity_over, late.probe)  # fmt: skip
    found = ventilation(
        job_of(ROOM, OUT), ROOM, {"room": newest(ROOM, 20, 60), "out": moved}, {}, VentilationDay(), OPTIONS
    )
    assert found is not None
    assert found.effect is VentilationEffect.UNKNOWN
    assert found.difference is None
    assert found.measures == ()
    assert "not known" in ventilation_sentence(ENGLISH, found)
    silent = ventilation(job_of(ROOM, OUT), ROOM, {"room": None, "out": None}, {}, VentilationDay(), OPTIONS)
    assert silent is not None
    assert silent.effect is VentilationEffect.UNKNOWN


def test_a_job_without_outdoor_air_gets_no_advice():
    assert ventilation(job_of(ROOM), ROOM, {"room": newest(ROOM, 20, 60)}, {}, VentilationDay(), OPTIONS) is None


def test_outdoor_air_that_would_condense_on_a_cold_floor_is_told_of():
    """A warm day on a cellar: 24 °C and 65 %, dew point 17.0 °C; the wall is at 13 °C."""
    wall = location("surface", "wall", reference="room", name="cellar wall")
    series = newest(wall, 15, 70, 13.0)
    risk = surface_risk(series, None, None, OPTIONS)
    assert risk is not None
    assert risk[0].probability < 0.01  # it does not condense now
    found = advice((16, 60), (24, 65), others=(series,), surfaces={"wall": risk[0]})
    assert found.condenses_on == "wall"
    assert found.condenses_probability is not None
    assert found.condenses_probability > 0.99
    assert "would condense on the cold surface at cellar wall" in ventilation_sentence(ENGLISH, found, "cellar wall")
    dry = advice((16, 60), (5, 60), others=(series,), surfaces={"wall": risk[0]})
    assert dry.condenses_on is None
    assert dry.condenses_probability is not None
    assert dry.condenses_probability < 0.01


def test_a_surface_of_another_room_is_not_counted():
    other = location("room_air", "attic")
    wall = location("surface", "wall", reference="attic")
    series = newest(wall, 15, 70, 5.0)
    risk = surface_risk(series, None, None, OPTIONS)
    assert risk is not None
    job = job_of(ROOM, OUT, other, wall)
    airs = {"room": newest(ROOM, 16, 60), "out": newest(OUT, 24, 65), "attic": None, "wall": series}
    found = ventilation(job, ROOM, airs, {"wall": risk[0]}, VentilationDay(), OPTIONS)
    assert found is not None
    assert found.condenses_probability is None


def test_the_last_day_is_summed_hour_by_hour():
    """Half a day of drier and half a day of wetter air outdoors; three hours of it silent."""
    t, rh = np.full(48, 10.0), np.r_[np.full(24, 20.0), np.full(12, 30.0), np.full(12, 100.0)]
    rh[24:27] = np.nan
    room, out = track(ROOM, 20.0, 40.0, 48), track(OUT, t, rh)
    found = ventilation_day(room, out, 0.0, OPTIONS)
    assert found.share == pytest.approx(9 / 21)
    assert found.difference is not None
    assert found.water is not None
    vapour = np.asarray(vapour_pressure(t[27:], rh[27:]))
    expected = water_per_hour(np.full(21, 20.0), np.full(21, float(vapour_pressure(20.0, 40.0))), vapour,
                              101_325.0, OPTIONS)  # fmt: skip
    assert found.water.value == pytest.approx(24 * float(expected.mean()))
    assert found.difference.value == pytest.approx(float(vapour_pressure(20.0, 40.0) - vapour.mean()))
    assert ventilation_day(room.last(4), out.last(4), 0.0, OPTIONS) == VentilationDay()
    said = advice((20, 60), (2, 85), day=found)
    assert "43 % of the hours" in ventilation_sentence(ENGLISH, said)


# --- levers ---------------------------------------------------------------------------------------------------


def balance(element, room, outdoor, room_c=18.0, element_c=16.0):
    return Balance(element, room, outdoor, 20.0, 20.0, 20.0, room_c, element_c, WetPlaces.MONITORED)


def test_ventilation_in_frost_beats_heating_and_heating_beats_ventilation_in_damp_weather():
    frost = measures(balance(1700.0, 1000.0, 300.0), OPTIONS)
    muggy = measures(balance(1700.0, 1500.0, 1650.0), OPTIONS)
    assert frost[0].name is MeasureKind.VENTILATE
    assert [measure.name for measure in muggy][-1] == "air"
    assert muggy[-1].gain.value < 0
    assert muggy[-1].effect is MeasureEffect.LOWERS
    assert "lowers the vapour-pressure difference" in measure_sentence(ENGLISH, muggy[-1])


def test_the_balance_settles_where_what_is_given_is_what_leaves():
    """With the conductances of the present state, each lever's room pressure balances by hand."""
    b = balance(1700.0, 1400.0, 500.0)
    ratio = (1400.0 - 500.0) / (1700.0 - 1400.0)
    by_name = {measure.name: measure for measure in measures(b, OPTIONS)}
    more = (OPTIONS.base_changes_per_h + OPTIONS.airing_changes_per_h) / OPTIONS.base_changes_per_h
    room = 1700.0 - by_name["air"].drive.value
    assert ratio * (1700.0 - room) == pytest.approx(more * (room - 500.0))  # given = taken, with more air change
    warm = saturation_vapour_pressure(21.0) / saturation_vapour_pressure(16.0)
    room = 1700.0 * warm - by_name["heat"].drive.value
    assert ratio * (1700.0 * warm - room) == pytest.approx(room - 500.0)
    held = OPTIONS.dehumidified_rh_pct / 100 * saturation_vapour_pressure(18.0)
    assert by_name["dehumidify"].drive.value == pytest.approx(1700.0 - held)


def test_a_room_that_is_drier_already_gains_nothing_from_a_machine():
    b = balance(1700.0, 600.0, 500.0)
    machine = next(measure for measure in measures(b, OPTIONS) if measure.name == "dehumidify")
    assert machine.gain.value == 0.0


def test_without_a_goal_beside_it_wet_surfaces_in_the_room_are_what_dries():
    found = advice((20, 60), (2, 85))
    assert found.dries is WetPlaces.ASSUMED
    assert "For wet surfaces in the room" in ventilation_sentence(ENGLISH, found)
    beside = advice((20, 60), (2, 85), others=(newest(WET, 17, 95),))
    assert beside.dries is WetPlaces.MONITORED
    assert "For the wet locations beside it" in ventilation_sentence(ENGLISH, beside)
    assert beside.measures != found.measures


def test_a_suggestion_gives_its_reason_and_is_no_order():
    found = advice((20, 60), (2, 85), others=(newest(WET, 17, 95),))
    text = ventilation_sentence(ENGLISH, found)
    assert f"{KINDS[found.measures[0].name]} looks best" in text
    assert f"from {found.measures[0].present.value:.0f} Pa to about {found.measures[0].drive.value:.0f} Pa" in text
    assert "not an order" in text
    hot = measures(balance(2500.0, 2000.0, 3500.0, room_c=61.0, element_c=61.0), OPTIONS)
    assert not clearly_helps(hot[0], 2.0)
    none = found.model_copy(update={"measures": hot, "helps": False})
    assert "None of ventilating, heating and dehumidifying" in ventilation_sentence(ENGLISH, none)


def test_measures_that_gain_about_as_much_are_named_beside_the_best():
    """Gains 100 ± 10, 85 ± 10 and 60 ± 10 Pa (k = 1): at k = 2 the first two differ by less than 28 Pa."""
    found = measures(balance(1700.0, 1000.0, 300.0), OPTIONS)
    gains = [Quantity(value=value, u=10.0, unit="Pa") for value in (100.0, 85.0, 60.0)]
    ranked = tuple(m.model_copy(update={"gain": gain}) for m, gain in zip(found, gains, strict=True))
    assert as_good_as_first(ranked, 2.0) == (ranked[1].name,)
    assert as_good_as_first(ranked, 4.0) == (ranked[1].name, ranked[2].name)
    assert as_good_as_first(ranked, 1.0) == ()
    said = advice((20, 60), (2, 85)).model_copy(update={"measures": ranked, "as_good": (ranked[1].name,)})
    assert f"looks best ({KINDS[ranked[1].name]} about as much)" in ventilation_sentence(ENGLISH, said)


@settings(deadline=None, max_examples=60)
@given(
    t=st.floats(-5, 35), rh=st.floats(5, 100), t_out=st.floats(-25, 38), rh_out=st.floats(5, 100),
    wet=st.floats(5, 100),
)  # fmt: skip
def test_no_state_of_the_airs_leaves_the_advice_without_an_answer(t, rh, t_out, rh_out, wet):
    found = advice((t, rh), (t_out, rh_out), others=(newest(WET, t, wet, n=8),))
    assert found.effect is not VentilationEffect.UNKNOWN
    assert len(found.measures) == 3
    gains = [measure.gain.value for measure in found.measures]
    assert gains == sorted(gains, reverse=True)
    assert all(
        np.isfinite([measure.gain.value, measure.gain.u, measure.drive.value]).all() for measure in found.measures
    )
    assert found.at == datetime.fromtimestamp(START_S + 159 * 600.0, UTC)


def test_without_uncertainty_any_difference_is_clear():
    airs = {
        "room": newest(ROOM, 20, 50, uncertainty=NO_UNCERTAINTY),
        "out": newest(OUT, 20, 49.9, uncertainty=NO_UNCERTAINTY),
    }
    found = ventilation(job_of(ROOM, OUT), ROOM, airs, {}, VentilationDay(), OPTIONS)
    assert found is not None
    assert found.effect is VentilationEffect.DRIES
