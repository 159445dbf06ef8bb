"""Water that the air change of a room carries out in a day: against the moisture balance of EN ISO 13788."""

from __future__ import annotations

import pytest
from damage_support import NO_UNCERTAINTY, job_of, location, newest, track
from pydantic import ValidationError

from monitord.analysis.air.ventilation import ventilation, ventilation_day
from monitord.analysis.air.water_by_air import WaterByAir, water_by_air
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import Ventilation
from monitord.model.jobs import Location
from monitord.physics.moist_air import vapour_pressure

OPTIONS = AnalysisOptions()
ROOM, OUT = location("room_air", "room"), location("outdoor_air", "out")
HOUSE = ROOM.model_copy(update={"volume_m3": 60.0})
GAS_CONSTANT_OF_WATER = 461.5  # J/(kg K), EN ISO 13788:2012


def last_day(room: tuple[float, float], outdoor: tuple[float, float], **sure: object) -> Ventilation:
    inside, outside = track(ROOM, *room, 24, **sure), track(OUT, *outdoor, 24, **sure)  # type: ignore[arg-type]
    day = ventilation_day(inside, outside, 0.0, OPTIONS)
    airs = {"room": newest(ROOM, *room), "out": newest(OUT, *outdoor)}
    found = ventilation(job_of(ROOM, OUT), ROOM, airs, {}, day, OPTIONS)
    assert found is not None
    return found


def litres(room: Location, found: Ventilation) -> WaterByAir:
    by_air = water_by_air(room, found, 2.0)
    assert by_air is not None
    return by_air


def test_a_known_air_change_gives_what_the_standards_balance_gives() -> None:
    # EN ISO 13788:2012, clause 3: internal moisture excess v_i - v_e = G/(n V), v = p/(461.5 T), in kg/m3. The program
    # counts the dry air that leaves at room temperature; both airs at one temperature, the two agree to the share of
    # vapour in the air
    found = last_day((20.0, 60.0), (20.0, 30.0), uncertainty=NO_UNCERTAINTY)
    excess = float(vapour_pressure(20.0, 60.0) - vapour_pressure(20.0, 30.0)) / (GAS_CONSTANT_OF_WATER * 293.15)
    room = HOUSE.model_copy(update={"air_changes_per_h": 0.5})
    by_air = litres(room, found)
    assert by_air.low_l == by_air.high_l == pytest.approx(24 * 0.5 * 60.0 * excess, rel=0.02)  # 1 kg of water is 1 L
    assert by_air.low_l == pytest.approx(3.7, abs=0.1)


def test_an_unknown_air_change_gives_a_range_of_ten_to_one_widened_by_the_probes() -> None:
    sure = litres(HOUSE, last_day((20.0, 60.0), (5.0, 80.0), uncertainty=NO_UNCERTAINTY))
    assert sure.high_l == pytest.approx(10.0 * sure.low_l)
    unsure = litres(HOUSE, last_day((20.0, 60.0), (5.0, 80.0)))
    assert unsure.low_l < sure.low_l < sure.high_l < unsure.high_l
    assert unsure.low_l > 0.0


def test_outdoor_air_that_is_more_humid_brings_water_in_and_what_is_not_clear_spans_zero() -> None:
    wet = litres(HOUSE, last_day((16.0, 55.0), (24.0, 75.0)))
    assert wet.high_l < 0.0
    unclear = litres(HOUSE, last_day((20.0, 50.0), (16.0, 64.0)))
    assert unclear.low_l < 0.0 < unclear.high_l


def test_without_a_volume_or_a_known_day_nothing_is_said() -> None:
    found = last_day((20.0, 60.0), (5.0, 80.0))
    assert water_by_air(ROOM, found, 2.0) is None
    assert water_by_air(HOUSE, found.model_copy(update={"day_water": None}), 2.0) is None


def test_a_volume_belongs_to_room_air() -> None:
    with pytest.raises(ValidationError, match="volume_m3 belongs to room air, not to cavity"):
        Location.model_validate({"id": "wall", "kind": "cavity", "volume_m3": 3.0})
