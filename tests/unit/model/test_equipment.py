"""Equipment of a job: what fits, what it took out, and the steps that forms on site take."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from pydantic import ValidationError

from monitord.errors import JobFileError
from monitord.model.job_files.changes import with_equipment, with_water, without_equipment
from monitord.model.job_files.example import shipped_example
from monitord.model.job_files.files import dump_job, parse_job
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.site.equipment import Equipment, EquipmentKind, Water

T0 = datetime(2026, 1, 5, 8, tzinfo=UTC)
DAY = timedelta(days=1)
JOB = JobFile(
    job="J",
    start=T0 - DAY,
    locations=(
        Location(id="room", kind=LocationKind.ROOM_AIR),
        Location(id="hall", kind=LocationKind.ROOM_AIR),
        Location(id="out", kind=LocationKind.OUTDOOR_AIR),
    ),
)


def machine(*water: Water, **more: object) -> Equipment:
    values = {"id": "d1", "kind": "dehumidifier", "location_id": "room", "from": T0, "water": water}
    return Equipment.model_validate(values | more)


def litres(day: float, amount: float) -> Water:
    return Water(at=T0 + day * DAY, litres=amount)


def meter(day: float, shown: float) -> Water:
    return Water(at=T0 + day * DAY, meter_l=shown)


def test_what_was_emptied_adds_up_and_its_rate_is_that_between_the_last_two() -> None:
    made = machine(litres(1, 9.0), litres(3, 8.0))
    assert made.litres(T0 + 9 * DAY) == 17.0
    assert made.rate_l_per_day(T0 + 9 * DAY) == pytest.approx(4.0)
    assert (made.litres(T0 + 2 * DAY), made.rate_l_per_day(T0 + 2 * DAY)) == (9.0, pytest.approx(9.0))
    assert (machine().litres(T0 + DAY), machine().rate_l_per_day(T0 + DAY)) == (None, None)


def test_of_a_meter_the_differences_count_and_the_first_reading_is_its_beginning() -> None:
    made = machine(meter(0, 1240.0), meter(2, 1250.5), meter(4, 1254.5))
    assert made.litres(T0 + 9 * DAY) == pytest.approx(14.5)
    assert made.rate_l_per_day(T0 + 9 * DAY) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ({"water": (meter(1, 50.0), meter(2, 40.0))}, "a meter counts up"),
        ({"water": (litres(-1, 5.0),)}, "not within its time here"),
        ({"water": (litres(3, 5.0),), "to": T0 + 2 * DAY}, "not within its time here"),
        ({"to": T0}, "taken out before it is set up"),
        ({"kind": "heater", "rated_l_per_day": 20.0}, "no dehumidifier"),
        ({"kind": "air_mover", "water": (litres(1, 5.0),)}, "no dehumidifier"),
        ({"rated_l_per_day": 0.0}, "greater than 0"),
    ],
)
def test_what_can_not_be_is_refused_with_the_reason(values: dict[str, object], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        machine(**values)


@pytest.mark.parametrize("amounts", [{}, {"litres": 1.0, "meter_l": 2.0}, {"litres": -1.0}, {"litres": 501.0}])
def test_water_is_emptied_or_read_and_possible(amounts: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        Water.model_validate({"at": T0} | amounts)


def test_a_machine_is_set_up_moved_emptied_and_taken_out_step_by_step() -> None:
    job = with_equipment(JOB, machine())
    assert with_equipment(job, machine()) is job, "sent twice changes nothing"
    job = with_water(job, "d1", litres(1, 9.0))
    assert with_water(job, "d1", litres(1, 9.0)) is job
    job = with_equipment(job, machine(location_id="hall", **{"from": T0 + 2 * DAY}))
    assert [(e.location_id, e.to_time) for e in job.equipment] == [("room", T0 + 2 * DAY), ("hall", None)]
    job = with_water(job, "d1", litres(3, 2.0))
    assert [e.litres(T0 + 9 * DAY) for e in job.equipment] == [9.0, 2.0]
    job = without_equipment(job, "d1", T0 + 4 * DAY)
    assert not any(e.covers(T0 + 4 * DAY) for e in job.equipment)
    with pytest.raises(JobFileError, match="no equipment 'd1' stands"):
        with_water(job, "d1", litres(5, 2.0))


@pytest.mark.parametrize(
    ("equipment", "why"),
    [
        ((machine(location_id="nowhere"),), "not a location of this job"),
        ((machine(location_id="out"),), "outdoor air"),
        ((machine(), machine(location_id="hall")), "at the same time"),
    ],
)
def test_a_job_refuses_equipment_that_does_not_fit_it(equipment: tuple[Equipment, ...], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        JobFile.model_validate(JOB.model_copy(update={"equipment": equipment}).model_dump(by_alias=True))


def test_the_example_holds_one_and_a_job_with_equipment_is_read_back_as_it_was_written() -> None:
    (example,) = parse_job(shipped_example(), "toml").equipment
    assert (example.kind, example.rated_l_per_day, len(example.water)) == (EquipmentKind.DEHUMIDIFIER, 50.0, 2)
    job = with_water(with_equipment(JOB, machine(rated_l_per_day=25.0)), "d1", meter(1, 1240.0))
    for kind in ("toml", "json"):
        assert parse_job(dump_job(job, kind), kind) == job  # type: ignore[arg-type]
