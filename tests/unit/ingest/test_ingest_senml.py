"""SenML, against RFC 8428 and, for the bytes of CBOR numbers, RFC 8949 appendix A."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitord.errors import DecodeError
from monitord.ingest.decoding.records import Decoded, RecordSource
from monitord.ingest.decoding.senml import CBOR_LABELS, decode_cbor, decode_json

NOW = datetime(2025, 3, 1, 10, 0, 0, tzinfo=UTC)
SOURCE = RecordSource(NOW, "attic", "p1")
NO_PROBE = RecordSource(NOW)
DEVICE = "urn:dev:ow:10e2073a01080063"  # the device of the RFC's examples
T = 1.74e9  # 2025-02-19T21:20:00Z


def read(*records: dict[str, Any], source: RecordSource = SOURCE) -> Decoded:
    """Through JSON, and held against the same pack through CBOR."""
    result = decode_json(json.dumps(records).encode(), source)
    numbers = {label: number for number, label in CBOR_LABELS.items()}
    pack = [{numbers.get(label, label): value for label, value in record.items()} for record in records]
    assert decode_cbor(cbor2.dumps(pack), source).readings == result.readings
    return result


def refusal(*records: Any, source: RecordSource = SOURCE) -> DecodeError:
    try:
        result = decode_json(json.dumps(records).encode(), source)
    except DecodeError as error:
        return error
    assert result.readings == []
    return result.problems[0]


PAIR = ({"n": "temperature", "u": "Cel", "v": 18.2, "t": T}, {"n": "humidity", "u": "%RH", "v": 61.4, "t": T})


def test_records_of_one_time_make_one_reading() -> None:
    (reading,) = read(*PAIR).readings
    assert (reading.probe, reading.gateway, reading.temperature_c, reading.relative_humidity_pct) == (
        "p1",
        "attic",
        18.2,
        61.4,
    )
    assert reading.time == datetime(2025, 2, 19, 21, 20, tzinfo=UTC)


def test_base_values_apply_until_replaced() -> None:
    # The humidity series of RFC 8428 section 5.1.3, with the temperatures that a reading needs beside it.
    # Resolved times as section 4.6 has them: bt + t, the last 1320067464 + 180 = 1320067644.
    result = read(
        {"bn": DEVICE, "bt": 1320067464, "bu": "%RH", "v": 20},
        {"t": 60, "v": 20.3},
        {"t": 120, "v": 20.7},
        {"t": 180, "v": 21.2},
        {"bu": "Cel", "v": 23.1},
        {"t": 60, "v": 23.2},
        {"t": 120, "v": 23.3},
        {"t": 180, "v": 23.4},
        source=NO_PROBE,
    )
    assert [(r.time.timestamp(), r.relative_humidity_pct, r.temperature_c) for r in result.readings] == [
        (1320067464.0, 20.0, 23.1),
        (1320067524.0, 20.3, 23.2),
        (1320067584.0, 20.7, 23.3),
        (1320067644.0, 21.2, 23.4),
    ]
    assert {r.probe for r in result.readings} == {DEVICE}


def test_base_value_is_added_and_a_records_own_unit_wins() -> None:
    # section 4.6: resolved v = bv + v; u before bu
    (reading,) = read({"bv": 20, "bu": "Cel", "bt": T, "v": -1.5}, {"u": "%RH", "v": 41.5}).readings
    assert (reading.temperature_c, reading.relative_humidity_pct) == (18.5, 61.5)


def test_cbor_by_hand() -> None:
    # array(2); labels of RFC 8428 table 4 (bt -3 = 22, n 0, u 1, v 2); numbers of RFC 8949 appendix A:
    # -4.1 = fbc010666666666666, 1.5 = f93e00; 1363896240 = 1a514b67b0, which is 2013-03-21T20:04:00Z
    pack = bytes.fromhex("82 a3 22 1a514b67b0 01 63 43656c 02 fbc010666666666666 a2 01 63 255248 02 f93e00")
    (reading,) = decode_cbor(pack, SOURCE).readings
    assert (reading.temperature_c, reading.relative_humidity_pct) == (-4.1, 1.5)
    assert reading.time == datetime(2013, 3, 21, 20, 4, tzinfo=UTC)


@pytest.mark.parametrize("number", ["f97e00", "f97c00", "f9fc00", "fb7ff8000000000000", "fa7f800000"])
def test_nan_and_infinities_of_cbor_are_refused(number: str) -> None:
    # NaN and infinities as RFC 8949 appendix A writes them
    pack = bytes.fromhex(f"82 a3 22 1a514b67b0 01 63 43656c 02 {number} a2 01 63 255248 02 f93e00")
    assert decode_cbor(pack, SOURCE).problems[0].code == "not_finite"


def test_a_decimal_fraction_of_cbor_is_a_number() -> None:
    # RFC 8949 section 3.4.4: 273.15 is c4 82 21 19 6ab3
    pack = bytes.fromhex("82 a3 22 1a514b67b0 01 63 43656c 02 c48221196ab3 a2 01 63 255248 02 f93e00")
    assert decode_cbor(pack, SOURCE).readings[0].temperature_c == 273.15


@pytest.mark.parametrize(
    ("time", "expected"),
    [
        # section 4.5.3: under 2**28 relative to now, from there on absolute (the smallest is 1978-07-04T21:24:16Z)
        (-60.0, datetime(2025, 3, 1, 9, 59, 0, tzinfo=UTC)),
        (0, NOW),
        (2**28 - 1, datetime(2033, 9, 2, 7, 24, 15, tzinfo=UTC)),  # by `date -u -d`
        (2**28, datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC)),
    ],
)
def test_small_times_are_relative_to_the_arrival(time: float, expected: datetime) -> None:
    (reading,) = read(*({**record, "t": time} for record in PAIR)).readings
    assert reading.time == expected


def test_a_retained_pack_without_an_absolute_time_has_no_known_age() -> None:
    records = [{key: value for key, value in record.items() if key != "t"} for record in PAIR]
    assert len(read(*records).readings) == 1
    assert refusal(*records, source=SOURCE._replace(retained=True)).code == "no_age"
    assert len(read(*PAIR, source=SOURCE._replace(retained=True)).readings) == 1


@pytest.mark.parametrize(
    ("record", "why"),
    [
        ({"new_": 1}, "section 4.4"),  # a label that must be understood
        ({"bver": 11}, "section 4.4"),
        ({"bver": 0}, "version"),
        ({"bver": True}, "version"),
        ({"bver": "10"}, "version"),
        ({"bn": 5}, "bn is not a text"),
        ({"vs": "wet"}, "one value"),  # beside v
        ({"vb": True}, "one value"),
        ({"bn": "a b:"}, "not a name"),
        ({"bn": ":a:"}, "not a name"),  # section 4.5.1: begins with a letter or digit
    ],
)
def test_what_the_rfc_forbids_is_refused_whole(record: dict[str, Any], why: str) -> None:
    error = refusal({**PAIR[0], **record}, PAIR[1])
    assert error.code == "not_senml"
    assert why in error.message


@pytest.mark.parametrize("value", ["18.2", True, None, [1]])
@pytest.mark.parametrize("label", ["v", "t", "bt", "bv"])
def test_a_number_is_a_number(label: str, value: object) -> None:
    assert refusal({**PAIR[0], label: value}, PAIR[1]).code == "bad_value"


def test_other_labels_and_other_quantities_are_ignored() -> None:
    # section 4.4: a label that does not end in _ may be ignored; 5.1.2's current in A is nothing that we keep
    plain = read(*PAIR)
    assert plain == read(
        {**PAIR[0], "label": 1, "bver": 10},
        PAIR[1],
        {"n": "current", "u": "A", "v": 1.2},
        {"n": "state", "vs": "ok"},
        {"n": "open", "vb": False},
    )


@pytest.mark.parametrize("pack", [{}, "x", 5, None])
def test_a_pack_is_an_array(pack: object) -> None:
    with pytest.raises(DecodeError) as caught:
        decode_json(json.dumps(pack).encode(), SOURCE)
    assert caught.value.code == "not_senml"


@pytest.mark.parametrize("record", [1, "x", [], None])
def test_a_record_is_an_object(record: object) -> None:
    assert refusal(record).code == "not_senml"


def test_a_pack_with_nothing_of_ours_is_refused() -> None:
    assert refusal({"n": "current", "u": "A", "v": 1.2}).code == "no_records"
    assert refusal().code == "no_records"


@pytest.mark.parametrize(
    ("name", "unit", "value", "field", "expected"),
    [
        (DEVICE + ":surface_temperature", "Cel", 11.4, "surface_temperature_c", 11.4),
        (DEVICE + "/Surface-Temperature", "Cel", 11.4, "surface_temperature_c", 11.4),
        (DEVICE + ".voltage", "V", 3.05, "battery_v", 3.05),
        (DEVICE, "V", 3.05, "battery_v", 3.05),
        (DEVICE + "_pressure", "Pa", 101325, "pressure_hpa", 1013.25),
        (DEVICE + ":", "Pa", 101325, "pressure_hpa", 1013.25),
    ],
)
def test_a_name_is_a_device_and_a_quantity(name: str, unit: str, value: float, field: str, expected: float) -> None:
    pair = [{**record, "n": f"{DEVICE}:{record['n']}"} for record in PAIR]
    (reading,) = read(*pair, {"n": name, "u": unit, "v": value, "t": T}, source=NO_PROBE).readings
    assert reading.probe == DEVICE
    assert getattr(reading, field) == expected


def test_a_quantity_in_a_unit_that_is_not_its_own_is_refused() -> None:
    error = refusal({**PAIR[0], "u": "K"}, PAIR[1])
    assert error.code == "bad_unit"
    assert "Cel" in error.message
    assert refusal({**PAIR[0], "u": None}, PAIR[1]).code == "not_senml"


def test_two_devices_make_two_readings_where_the_topic_names_none() -> None:
    records = [{**record, "n": f"dev{i}:{record['n']}", "v": 20 + i} for record in PAIR for i in (1, 2)]
    readings = read(*records, source=NO_PROBE).readings
    assert [(r.probe, r.temperature_c) for r in readings] == [("dev1", 21.0), ("dev2", 22.0)]
    assert refusal(*records).code == "bad_probe"


def test_two_values_of_one_quantity_at_one_time_contradict() -> None:
    assert refusal(*PAIR, {**PAIR[0], "v": 18.3}).code == "contradiction"
    assert read(*PAIR, PAIR[0]) == read(*PAIR)


def test_an_incomplete_time_does_not_take_the_others_with_it() -> None:
    result = read(*PAIR, {**PAIR[0], "t": T + 600})
    assert len(result.readings) == 1
    assert [problem.code for problem in result.problems] == ["incomplete"]
    assert "relative_humidity_pct" in result.problems[0].message


@pytest.mark.parametrize("payload", ["", "ff", "9f", "83", "8080", "5bffffffffffffffff", "81" * 3000, "d81c81d81d00"])
def test_what_is_not_one_pack_of_cbor_is_refused(payload: str) -> None:
    with pytest.raises(DecodeError) as caught:
        decode_cbor(bytes.fromhex(payload), SOURCE)
    assert caught.value.code in {"not_cbor", "not_senml"}


HUGE = 2**20_000


@pytest.mark.parametrize(
    ("record", "code"),
    [
        ({-1: HUGE, 0: "a"}, "not_senml"),
        ({HUGE: 1}, "not_senml"),
        ({0: HUGE}, "not_senml"),
        ({-3: HUGE}, "not_finite"),
        ({-3: T, 1: "Cel", 2: HUGE}, "not_finite"),
        ({-3: T, 1: "Cel", 2: [HUGE]}, "bad_value"),
    ],
)
def test_an_integer_that_no_float_holds_is_refused_for_what_it_is(record: dict[Any, Any], code: str) -> None:
    # RFC 8949, 3.4.3: integers of any size; Python writes none of over 4,300 digits out
    def refusal() -> DecodeError:
        try:
            return decode_cbor(cbor2.dumps([record]), SOURCE).problems[0]
        except DecodeError as error:
            return error

    assert refusal().code == code


def test_a_base_name_that_would_be_copied_to_every_record_has_a_longest() -> None:
    with pytest.raises(DecodeError, match="a name of over 512 characters") as caught:
        read({"bn": "n" * 513, "n": "temperature", "u": "Cel", "v": 1})
    assert caught.value.code == "not_senml"


_VALUES = st.floats(-1e6, 1e6)


@given(st.lists(st.tuples(st.integers(2**28, 2**32), _VALUES, _VALUES), min_size=1, unique_by=lambda row: row[0]))
def test_any_backlog_comes_through_json_and_cbor_alike(rows: list[tuple[int, float, float]]) -> None:
    records = [
        {"n": name, "u": unit, "t": row[0], "v": value}
        for row in rows
        for name, unit, value in (("temperature", "Cel", row[1]), ("rh", "%RH", row[2]))
    ]
    readings = read(*records).readings
    assert [(r.time.timestamp(), r.temperature_c, r.relative_humidity_pct) for r in readings] == rows
