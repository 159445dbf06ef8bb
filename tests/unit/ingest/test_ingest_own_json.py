"""Our own JSON: strict types, nothing guessed, a bad record does not take the good ones with it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.errors import DecodeError
from monitord.ingest.decoding import native_json
from monitord.ingest.decoding.records import Decoded, RecordSource
from monitord.model.readings import Reading
from monitord.store.db.times import to_ms
from monitord.store.series.raw_reading import raw

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
SOURCE = RecordSource(NOW, "attic", "p1")
GOOD: dict[str, Any] = {"time": "2025-03-01T10:00:00Z", "temperature_c": 18.2, "relative_humidity_pct": 61.4}


def decode(payload: bytes, source: RecordSource) -> Decoded:
    """The way that says what is wrong; the quick one has to give the same where nothing is, and else nothing."""
    assert source.probe is not None
    rows = native_json.quick_rows(payload, source.probe, source.gateway, to_ms(source.received_at))
    try:
        decoded = native_json.decode(payload, source)
    except DecodeError:
        assert rows == []
        raise
    assert rows == ([] if decoded.problems else [raw(reading) for reading in decoded.readings])
    return decoded


def encoded(value: object) -> bytes:
    return json.dumps(value).encode()


def refusal(payload: bytes) -> DecodeError:
    try:
        result = decode(payload, SOURCE)
    except DecodeError as error:
        return error
    assert result.readings == []
    return result.problems[0]


def test_one_reading_with_all_its_values() -> None:
    payload = encoded(
        {**GOOD, "surface_temperature_c": 11.4, "battery_v": 3.05, "pressure_hpa": 1013.25, "rssi_dbm": -71}
    )
    assert decode(payload, SOURCE).readings == [
        Reading(
            probe="p1",
            gateway="attic",
            time=datetime(2025, 3, 1, 10, tzinfo=UTC),
            received_at=NOW,
            temperature_c=18.2,
            relative_humidity_pct=61.4,
            surface_temperature_c=11.4,
            battery_v=3.05,
            pressure_hpa=1013.25,
            rssi_dbm=-71.0,
        )
    ]


def test_a_list_is_a_backlog_in_its_order() -> None:
    backlog = [{**GOOD, "time": f"2025-03-01T10:{minute:02d}:00+02:00"} for minute in range(10)]
    result = decode(b"  " + encoded(backlog), SOURCE)
    assert [reading.time.minute for reading in result.readings] == list(range(10))
    assert {reading.time.hour for reading in result.readings} == {8}


def test_a_missing_optional_value_may_be_null_or_left_out() -> None:
    assert decode(encoded({**GOOD, "battery_v": None}), SOURCE) == decode(encoded(GOOD), SOURCE)


@pytest.mark.parametrize("key", ["temperature_c", "relative_humidity_pct", "battery_v"])
@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
def test_what_is_not_finite_is_refused(key: str, token: str) -> None:
    payload = encoded({**GOOD, key: "HERE"}).replace(b'"HERE"', token.encode())
    assert refusal(payload).code == "not_finite"


@pytest.mark.parametrize("value", ["18.2", True, False, [18.2], {"v": 18.2}, ""])
@pytest.mark.parametrize("key", ["temperature_c", "relative_humidity_pct", "surface_temperature_c"])
def test_only_a_json_number_is_a_number(key: str, value: object) -> None:
    assert refusal(encoded({**GOOD, key: value})).code == "bad_value"


@pytest.mark.parametrize("time", ["2025-03-01T10:00:00", "2025-03-01", "1740823200", "now", ""])
def test_a_time_without_an_offset_is_refused(time: str) -> None:
    assert refusal(encoded({**GOOD, "time": time})).code == "bad_time"


@pytest.mark.parametrize("time", [1740823200, 1740823200.0, None, True])
def test_a_time_is_text(time: object) -> None:
    assert refusal(encoded({**GOOD, "time": time})).code == "bad_value"


@pytest.mark.parametrize("key", sorted(GOOD))
def test_what_makes_a_reading_must_be_there(key: str) -> None:
    error = refusal(encoded({name: value for name, value in GOOD.items() if name != key}))
    assert error.code == "incomplete"
    assert key in error.message


@pytest.mark.parametrize("key", ["batery_v", "Battery_V", "temperature_f", "surface_temperature", "preasure_hpa"])
def test_a_key_that_is_nearly_ours_is_refused_and_the_right_one_named(key: str) -> None:
    error = refusal(encoded({**GOOD, key: 3.0}))
    assert error.code == "misspelt_key"
    assert key in error.message


@pytest.mark.parametrize("key", ["firmware", "co2_ppm", "sequence", "note"])
def test_a_key_that_says_something_else_is_ignored(key: str) -> None:
    assert decode(encoded({**GOOD, key: "x"}), SOURCE) == decode(encoded(GOOD), SOURCE)


@pytest.mark.parametrize("payload", [b"", b"{", b"\xff\xfe", b'{"time":', b"[" * 5000, b"hello", b"{}x"])
def test_what_is_not_json_is_refused_as_such(payload: bytes) -> None:
    assert refusal(payload).code == "not_json"


@pytest.mark.parametrize("payload", [b"1", b"null", b'"x"', b"[1]", b"[[]]", b"[null]"])
def test_json_that_is_no_record_is_refused(payload: bytes) -> None:
    assert refusal(payload).code == "bad_record"


def test_an_empty_list_is_refused() -> None:
    assert refusal(b"[]").code == "no_records"


def test_good_records_of_a_backlog_are_kept_and_each_bad_one_is_named() -> None:
    backlog = [GOOD, {**GOOD, "time": "noon"}, {**GOOD, "time": "2025-03-01T11:00:00Z"}, {**GOOD, "battery_v": "3"}]
    result = decode(encoded(backlog), SOURCE)
    assert [reading.time.hour for reading in result.readings] == [10, 11]
    assert [(problem.code, problem.where) for problem in result.problems] == [
        ("bad_time", "record 2, time"),
        ("bad_value", "record 4, battery_v"),
    ]


_FINITE = st.floats(allow_nan=False, allow_infinity=False)


@given(_FINITE, _FINITE, st.none() | _FINITE, st.datetimes(datetime(1970, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001
def test_values_come_through_unaltered(t: float, rh: float, battery: float | None, time: datetime) -> None:
    payload = encoded({"time": time.isoformat(), "temperature_c": t, "relative_humidity_pct": rh, "battery_v": battery})
    (reading,) = decode(payload, SOURCE).readings
    assert (reading.temperature_c, reading.relative_humidity_pct, reading.battery_v, reading.time) == (
        t,
        rh,
        battery,
        time,
    )
