"""Where a cavity's vapour comes from: by the means against both airs, with an uncertainty that no averaging lessens."""

from __future__ import annotations

import numpy as np
import pytest
from english import ENGLISH
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.air.moisture_source import source_of
from monitord.analysis.series.calibration import Uncertainty
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.model.assessments import MoistureSource, SourceKind, SourceReason
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Location, LocationKind
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure, vapour_pressure
from monitord.physics.uncertainty import u_vapour_pressure
from monitord.text.comparisons import source_sentence

OPTIONS = AnalysisOptions()
UNCERTAINTY = Uncertainty(0.15, 1.0)
HOURS = 240


def track(
    kind: LocationKind,
    temperature_c: float | Array,
    rh: float | Array,
    uncertainty: Uncertainty = UNCERTAINTY,
    n: int = HOURS,
) -> HourlySeries:
    t, humidity = np.broadcast_to(temperature_c, n).astype(float), np.broadcast_to(rh, n).astype(float)
    vp = vapour_pressure(t, humidity)
    nothing = np.full(n, np.nan)
    return HourlySeries(
        Location(id=kind.value, kind=kind), 3600.0 * np.arange(n), t, humidity, vp, nothing, uncertainty, "p"
    )


def at_pressure(kind: LocationKind, temperature_c: float | Array, vp: float | Array) -> HourlySeries:
    t = np.broadcast_to(temperature_c, HOURS).astype(float)
    return track(kind, t, 100.0 * np.asarray(vp) / saturation_vapour_pressure(t))


def assess(cavity: HourlySeries, room: HourlySeries | None, outdoor: HourlySeries | None) -> MoistureSource:
    found = source_of(cavity, room, outdoor, OPTIONS)
    assert found is not None
    return found


def weather(spread_pa: float = 40.0) -> Array:
    """A slow swing of the outdoor vapour pressure about nothing. [Pa]"""
    return spread_pa * np.sqrt(2.0) * np.sin(2 * np.pi * np.arange(HOURS) / 110.0)


ROOM = at_pressure(LocationKind.ROOM_AIR, 20.0, 1100.0)
OUTDOOR = at_pressure(LocationKind.OUTDOOR_AIR, 6.0, 650.0 + weather())


@pytest.mark.parametrize(
    ("pressure", "kind", "words"),
    [
        (1400.0, SourceKind.FROM_CONSTRUCTION, "construction gives it off"),  # above both
        (1110.0, SourceKind.FROM_INSIDE, "holds the vapour of the room"),
        (900.0, SourceKind.FROM_INSIDE, "Between the air on both sides"),
        (650.0, SourceKind.NO_EXCESS, "holds outdoor air"),
        (500.0, SourceKind.NO_EXCESS, "drier than the air on both sides"),
    ],
)
def test_vapour_can_only_come_from_where_there_is_more_of_it(pressure: float, kind: SourceKind, words: str) -> None:
    found = assess(at_pressure(LocationKind.CAVITY, 14.0, pressure), ROOM, OUTDOOR)
    assert found.kind is kind
    assert words in source_sentence(ENGLISH, found)
    assert found.over_room is not None
    assert found.over_room.value == pytest.approx(pressure - 1100.0, abs=1e-6)


def test_a_cavity_wetter_than_a_dried_room_and_no_wetter_than_outdoors_is_fed_from_outside() -> None:
    # summer: the dehumidified room holds less vapour than the outdoor air
    room, outdoor = at_pressure(LocationKind.ROOM_AIR, 22.0, 900.0), at_pressure(LocationKind.OUTDOOR_AIR, 20.0, 1500.0)
    found = assess(at_pressure(LocationKind.CAVITY, 20.0, 1400.0), room, outdoor)
    assert found.kind is SourceKind.FROM_OUTSIDE


def test_airs_that_hold_as_much_as_the_cavity_leave_no_excess() -> None:
    airs = [at_pressure(kind, 12.0, 900.0) for kind in (LocationKind.ROOM_AIR, LocationKind.OUTDOOR_AIR)]
    assert assess(at_pressure(LocationKind.CAVITY, 12.0, 905.0), *airs).kind is SourceKind.NO_EXCESS


def test_a_higher_humidity_in_a_cold_void_is_no_excess() -> None:
    # the trap of comparing relative humidities: 22 °C / 45 % against 10 °C / 90 % is 85 Pa less vapour in the void
    room = track(LocationKind.ROOM_AIR, 22.0, 45.0)
    found = assess(track(LocationKind.CAVITY, 10.0, 90.0), room, at_pressure(LocationKind.OUTDOOR_AIR, 9.0, 1100.0))
    assert found.over_room is not None
    assert found.over_room.value == pytest.approx(-84.9, abs=0.5)  # regression of the ASHRAE equation, to 0.1 Pa
    assert found.kind is SourceKind.NO_EXCESS


def test_the_probes_offset_is_not_averaged_away() -> None:
    # steady air: the mean of 72 hours is no surer than one reading; JCGM 100:2008 5.1.2, section by hand
    found = assess(track(LocationKind.CAVITY, 20.0, 60.0), track(LocationKind.ROOM_AIR, 20.0, 50.0), None)
    one = np.hypot(u_vapour_pressure(20.0, 60.0, 0.15, 1.0), u_vapour_pressure(20.0, 50.0, 0.15, 1.0))
    assert found.over_room is not None
    assert found.over_room.u == pytest.approx(one, rel=1e-9)


def test_a_construction_that_lags_the_weather_is_no_source() -> None:
    # vapour falls outdoors over four days; timber and brick give off for a day longer what they took up before
    falling = 900.0 - 300.0 * np.clip((np.arange(HOURS) - 120) / 96.0, 0.0, 1.0)
    lagging = 900.0 - 300.0 * np.clip((np.arange(HOURS) - 144) / 96.0, 0.0, 1.0)
    outdoor, room = at_pressure(LocationKind.OUTDOOR_AIR, 8.0, falling), at_pressure(LocationKind.ROOM_AIR, 20.0, 620.0)
    found = assess(at_pressure(LocationKind.CAVITY, 9.0, lagging), room, outdoor)
    assert found.kind is not SourceKind.FROM_CONSTRUCTION


def test_daily_swings_of_a_cavity_in_the_sun_are_no_source() -> None:
    hours = np.arange(HOURS)
    swing = np.sin(2 * np.pi * hours / 24.0)
    outdoor = at_pressure(LocationKind.OUTDOOR_AIR, 5.0 + 5.0 * swing, 600.0 + 40.0 * swing)
    cavity = at_pressure(LocationKind.CAVITY, 8.0 + 12.0 * swing, 610.0 + 250.0 * swing)
    assert assess(cavity, ROOM, outdoor).kind is SourceKind.NO_EXCESS


def test_without_the_outdoor_air_an_excess_over_the_room_has_no_known_source() -> None:
    wet = at_pressure(LocationKind.CAVITY, 15.0, 1500.0)
    found = assess(wet, ROOM, None)
    assert found.kind is SourceKind.UNKNOWN
    assert found.over_outdoors is None
    assert assess(at_pressure(LocationKind.CAVITY, 15.0, 1000.0), ROOM, None).kind is SourceKind.NO_EXCESS
    assert assess(at_pressure(LocationKind.CAVITY, 15.0, 900.0), None, OUTDOOR).kind is SourceKind.UNKNOWN


def silent(air: HourlySeries, last_h: int) -> HourlySeries:
    vp = air.vapour_pressure_pa.copy()
    vp[-last_h:] = np.nan
    return HourlySeries(
        air.location,
        air.hour_s,
        air.temperature_c,
        air.relative_humidity_pct,
        vp,
        air.surface_temperature_c,
        UNCERTAINTY,
        "p",
    )


def test_too_few_hours_together_tell_nothing() -> None:
    cavity = at_pressure(LocationKind.CAVITY, 15.0, 1500.0)
    found = assess(silent(cavity, 72 - 24 + 1), ROOM, OUTDOOR)
    assert found.kind is SourceKind.UNKNOWN
    assert assess(cavity, None, None).kind is SourceKind.UNKNOWN
    assert assess(track(LocationKind.CAVITY, 15.0, 80.0, n=0), None, None).kind is SourceKind.UNKNOWN


def test_an_outdoor_probe_silent_for_days_does_not_take_the_room_with_it() -> None:
    found = assess(at_pressure(LocationKind.CAVITY, 15.0, 1000.0), ROOM, silent(OUTDOOR, 60))
    assert found.over_outdoors is None
    assert found.hours == 72


def test_only_cavities_and_voids_are_judged() -> None:
    for kind in (LocationKind.ROOM_AIR, LocationKind.SLAB_SLEEVE, LocationKind.SURFACE):
        assert source_of(track(kind, 15.0, 90.0), ROOM, OUTDOOR, OPTIONS) is None
    assert source_of(track(LocationKind.SUBFLOOR_VOID, 15.0, 90.0), ROOM, OUTDOOR, OPTIONS) is not None


@settings(max_examples=60)
@given(st.floats(300, 1600), st.floats(300, 1600), st.floats(300, 1600))
def test_a_claim_needs_a_difference_larger_than_its_uncertainty(cavity: float, room: float, outdoor: float) -> None:
    found = assess(
        at_pressure(LocationKind.CAVITY, 18.0, cavity),
        at_pressure(LocationKind.ROOM_AIR, 20.0, room),
        at_pressure(LocationKind.OUTDOOR_AIR, 16.0, outdoor),
    )
    over = [q.value > 2.0 * (q.u or 0.0) for q in (found.over_room, found.over_outdoors) if q is not None]
    expected = {
        (True, True): SourceKind.FROM_CONSTRUCTION,
        (False, True): SourceKind.FROM_INSIDE,
        (True, False): SourceKind.FROM_OUTSIDE,
        (False, False): SourceKind.NO_EXCESS,
    }[over[0], over[1]]
    assert found.kind is expected


@pytest.mark.parametrize(("share", "reason"), [(0.5, SourceReason.AS_OUTDOORS), (0.7, SourceReason.NOT_ABOVE)])
def test_it_holds_outdoor_air_where_that_lies_nearer_than_six_tenths_of_the_rooms_distance(
    share: float, reason: SourceReason
) -> None:
    """All within what the probes can tell (our choice)."""
    room = at_pressure(LocationKind.ROOM_AIR, 14.0, 930.0)
    outdoor = at_pressure(LocationKind.OUTDOOR_AIR, 14.0, 900.0 + 30.0 * share)
    found = assess(at_pressure(LocationKind.CAVITY, 14.0, 900.0), room, outdoor)
    assert (found.kind, found.reason) == (SourceKind.NO_EXCESS, reason)


@pytest.mark.parametrize(("by_pa", "kind"), [(155.0, SourceKind.NO_EXCESS), (177.0, SourceKind.FROM_INSIDE)])
def test_stored_vapour_is_three_tenths_of_a_weeks_spread(by_pa: float, kind: SourceKind) -> None:
    """Outdoor air whose vapour spreads by 200 Pa: 60 Pa of uncertainty beside 57 of probes and chance (our choice)."""
    outdoor = at_pressure(LocationKind.OUTDOOR_AIR, 18.0, 900.0 + weather(200.0))
    level = float(outdoor.vapour_pressure_pa[-72:].mean()) + by_pa
    room = at_pressure(LocationKind.ROOM_AIR, 18.0, level)
    assert assess(at_pressure(LocationKind.CAVITY, 18.0, level), room, outdoor).kind is kind
