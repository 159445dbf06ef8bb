"""Estimates by hour for charts: they end where the assessment ends, and the excess has both probes' uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from damage_support import START_S, USUAL, job_of, location, track, view_of

from monitord.analysis.damage import assess_damage
from monitord.analysis.estimate_series import estimate_series, excess
from monitord.analysis.series.hourly_series import TimberSpot
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.series import HOUR_S
from monitord.physics.moist_air import vapour_pressure

OPTIONS = AnalysisOptions()
DAY = 24
VOID, ROOM = location("subfloor_void", "void", reference="room"), location("room_air", "room")
YARD, SLEEVE = location("outdoor_air", "yard"), location("slab_sleeve", "sleeve")


def all_series(n=20 * DAY):
    wave = np.sin(np.arange(n) / 30)
    return (
        replace(track(VOID, 14.0, 90 + 4 * wave, n), spots=(TimberSpot(START_S + 4 * DAY * HOUR_S, 24.0, 2.0),)),
        track(ROOM, 20.0, 50 + 5 * wave, n),
        track(YARD, 4 + 3 * wave, 85.0, n),
        track(SLEEVE, 19.0, 92.0, n),
    )


def test_each_course_ends_with_what_the_assessment_of_that_hour_says():
    job, view = job_of(VOID, ROOM, YARD, SLEEVE), view_of(*all_series())
    told, drawn = assess_damage(job, view, OPTIONS).at("void"), estimate_series(job, view, VOID, OPTIONS)
    assert drawn is not None
    assert drawn.mould is not None
    assert drawn.wood is not None
    assert told.mould is not None
    assert told.wood is not None
    assert told.mould.index > 0.1
    assert drawn.mould.index[-1] == told.mould.index
    assert (drawn.mould.low[-1], drawn.mould.high[-1]) == (told.mould.low, told.mould.high)
    assert drawn.wood.value[-1] == told.wood.value.value
    assert drawn.wood.u[-1] == told.wood.value.u
    assert drawn.end_s[-1] == view.hour_s


def test_only_what_applies_to_a_place_is_drawn():
    job, view = job_of(VOID, ROOM, YARD, SLEEVE), view_of(*all_series())
    room, yard, sleeve = (estimate_series(job, view, where, OPTIONS) for where in (ROOM, YARD, SLEEVE))
    assert room is not None
    assert room.wood is None
    assert room.over_room is None
    assert room.over_outdoors is not None
    assert yard is not None
    assert yard.mould is None
    assert yard.over_outdoors is None
    assert sleeve is not None
    assert sleeve.mould is None
    assert sleeve.over_room is not None
    assert estimate_series(job, view, location("cavity", "other"), OPTIONS) is None


def test_the_uncertainty_of_an_excess_is_that_of_a_draw_of_both_probes_errors():
    """Monte Carlo after JCGM 101:2008: both probes' constant errors drawn as normal."""
    series, air = track(VOID, 14.0, 90.0, 2), track(ROOM, 20.0, 50.0, 2)
    found = excess(series, air)
    assert found is not None
    rng = np.random.default_rng(5)
    e = rng.standard_normal((4, 40_000))
    drawn = vapour_pressure(14.0 + USUAL.temperature_k * e[0], 90.0 + USUAL.relative_humidity_pct * e[1])
    drawn = drawn - vapour_pressure(20.0 + USUAL.temperature_k * e[2], 50.0 + USUAL.relative_humidity_pct * e[3])
    assert found.value_pa[0] == pytest.approx(np.mean(drawn), abs=0.5)
    assert found.u_pa[0] == pytest.approx(np.std(drawn), rel=0.02)


def test_an_hour_in_which_either_air_was_not_heard_has_no_excess():
    series, air = track(VOID, 14.0, 90.0, 5), track(ROOM, 20.0, np.array([50.0, np.nan, 50.0, 50.0, 50.0]), 5)
    found = excess(series, air)
    assert found is not None
    assert np.isnan(found.value_pa).tolist() == [False, True, False, False, False]
    assert np.isnan(found.u_pa).tolist() == [False, True, False, False, False]
