"""Mapped JSON: paths by JMESPath (its own library is the reference), units by their published conversions."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from pydantic import ValidationError

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding.mapping import UNITS, CompiledMapping
from monitord.ingest.decoding.records import Decoded, RecordSource
from monitord.model.config.broker import FieldMapping, PayloadFormat, PayloadMapping, TopicRule
from monitord.model.readings import Reading

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
SOURCE = RecordSource(NOW, "attic", "p1")
PLAIN: dict[str, Any] = {
    "time": "at",
    "temperature_c": {"path": "temp"},
    "relative_humidity_pct": {"path": "hum"},
}
RECORD: dict[str, Any] = {"at": "2025-03-01T10:00:00Z", "temp": 18.2, "hum": 61.4}


def mapped(mapping: dict[str, Any], payload: object, source: RecordSource = SOURCE) -> Decoded:
    compiled = CompiledMapping(PayloadMapping.model_validate(mapping), where="up/#")
    return compiled.decode(json.dumps(payload).encode(), source)


def only(mapping: dict[str, Any], payload: object, source: RecordSource = SOURCE) -> Reading:
    (reading,) = mapped(mapping, payload, source).readings
    return reading


def refusal(mapping: dict[str, Any], payload: object, source: RecordSource = SOURCE) -> DecodeError:
    try:
        result = mapped(mapping, payload, source)
    except DecodeError as error:
        return error
    assert result.readings == []
    return result.problems[0]


def test_a_record_is_read_by_its_paths() -> None:
    reading = only(PLAIN, RECORD)
    assert (reading.probe, reading.gateway, reading.temperature_c, reading.relative_humidity_pct) == (
        "p1",
        "attic",
        18.2,
        61.4,
    )


def test_probes_of_one_payload_are_told_apart() -> None:
    mapping = {**PLAIN, "records": "data.sensors[?kind=='th']", "probe": "id", "gateway": "hub"}
    sensors = [{**RECORD, "id": f"s{i}", "hub": "h", "kind": "th"} for i in range(3)] + [{"kind": "door"}]
    readings = mapped(mapping, {"data": {"sensors": sensors}}, RecordSource(NOW)).readings
    assert [(reading.probe, reading.gateway) for reading in readings] == [("s0", "h"), ("s1", "h"), ("s2", "h")]


@pytest.mark.parametrize(
    ("field", "unit", "given", "expected"),
    [
        ("temperature_c", "C", 18.2, 18.2),
        ("temperature_c", "F", 212.0, 100.0),  # boiling and freezing point of water on both scales
        ("temperature_c", "F", 32.0, 0.0),
        ("temperature_c", "F", -40.0, -40.0),
        ("temperature_c", "K", 273.15, 0.0),  # SI brochure, 9th edition, 2.3.1
        ("surface_temperature_c", "F", 50.0, 10.0),
        ("relative_humidity_pct", "ratio", 0.5, 50.0),
        ("relative_humidity_pct", "%", 50.0, 50.0),
        ("battery_v", "mV", 3050.0, 3.05),
        ("pressure_hpa", "Pa", 101325.0, 1013.25),
        ("pressure_hpa", "kPa", 101.325, 1013.25),
        ("pressure_hpa", "mbar", 1013.25, 1013.25),
        ("pressure_hpa", "inHg", 29.92126, 1013.25),  # standard atmosphere, NIST SP 811 appendix B.8
        ("rssi_dbm", "dBm", -71.0, -71.0),
    ],
)
def test_units_are_converted(field: str, unit: str, given: float, expected: float) -> None:
    reading = only({**PLAIN, field: {"path": "x", "unit": unit}}, {**RECORD, "x": given})
    assert getattr(reading, field) == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_every_quantity_of_a_mapping_has_units() -> None:
    fields = {name for name, field in PayloadMapping.model_fields.items() if "FieldMapping" in str(field.annotation)}
    assert fields == set(UNITS)


def test_hundredths_are_scaled() -> None:
    mapping = {**PLAIN, "temperature_c": {"path": "temp", "scale": 0.01}}
    assert only(mapping, {**RECORD, "temp": 1820}).temperature_c == pytest.approx(18.2)


@pytest.mark.parametrize(
    ("time_format", "value"),
    [("rfc3339", "2025-03-01T12:00:00+02:00"), ("unix-s", 1740823200), ("unix-ms", 1740823200000)],
)
def test_times_are_read_as_the_rule_says(time_format: str, value: object) -> None:
    reading = only({**PLAIN, "time_format": time_format}, {**RECORD, "at": value})
    assert reading.time == datetime(2025, 3, 1, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("time_format", "value"),
    [
        ("rfc3339", "2025-03-01T12:00:00"),
        ("rfc3339", 1740823200),
        ("rfc3339", None),
        ("unix-s", "1740823200"),
        ("unix-s", True),
        ("unix-s", 1e300),
    ],
)
def test_other_times_are_refused(time_format: str, value: object) -> None:
    assert refusal({**PLAIN, "time_format": time_format}, {**RECORD, "at": value}).code in {"bad_time", "bad_value"}


def test_the_arrival_stands_in_only_where_the_rule_says_so_and_the_age_is_known() -> None:
    mapping = {key: value for key, value in PLAIN.items() if key != "time"} | {"time_format": "arrival"}
    assert only(mapping, RECORD).time == NOW
    assert refusal(mapping, RECORD, SOURCE._replace(retained=True)).code == "no_age"
    with pytest.raises(ValidationError, match="give `time`"):
        PayloadMapping.model_validate({key: value for key, value in PLAIN.items() if key != "time"})


@pytest.mark.parametrize("value", ["18.2", True, [18.2], {}, "NaN"])
def test_only_a_number_is_a_number(value: object) -> None:
    error = refusal(PLAIN, {**RECORD, "temp": value})
    assert error.code == "bad_value"
    assert "to_number" in error.message


def test_numbers_in_text_are_read_when_the_expression_asks_for_it() -> None:
    mapping = {**PLAIN, "temperature_c": {"path": "to_number(temp)"}}
    assert only(mapping, {**RECORD, "temp": "18.2"}).temperature_c == 18.2


@pytest.mark.parametrize("token", ["NaN", "Infinity", "1e999", "9" * 400])
def test_what_is_not_finite_is_refused(token: str) -> None:
    payload = json.dumps({**RECORD, "temp": "HERE"}).replace('"HERE"', token).encode()
    compiled = CompiledMapping(PayloadMapping.model_validate(PLAIN), where="up")
    assert compiled.decode(payload, SOURCE).problems[0].code == "not_finite"


@pytest.mark.parametrize(("value", "code"), [(None, "incomplete"), ([], "bad_value")])
def test_a_reading_needs_both_values(value: object, code: str) -> None:
    assert refusal(PLAIN, {**RECORD, "hum": value}).code == code


def test_a_payload_without_records_is_refused() -> None:
    assert refusal({**PLAIN, "records": "data"}, RECORD).code == "no_records"
    assert refusal({**PLAIN, "records": "data"}, {"data": []}).code == "no_records"


def test_one_bad_record_does_not_take_the_others_with_it() -> None:
    result = mapped(PLAIN, [RECORD, {**RECORD, "temp": None}, {**RECORD, "at": "2025-03-01T11:00:00Z"}])
    assert len(result.readings) == 2
    assert [problem.where for problem in result.problems] == ["record 2, up/#"]


@pytest.mark.parametrize("probe", [7, None, "a b", ""])
def test_a_probe_needs_an_id(probe: object) -> None:
    assert refusal({**PLAIN, "probe": "id"}, {**RECORD, "id": probe}).code in {"bad_value", "bad_record"}


def test_an_expression_that_fails_on_a_payload_holds_only_that_payload() -> None:
    assert refusal({**PLAIN, "temperature_c": {"path": "abs(temp)"}}, {**RECORD, "temp": "x"}).code == "bad_value"


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"records": "data["}, "mapping.records"),
        ({"probe": "a b"}, "mapping.probe"),
        ({"time": "9:time"}, "mapping.time"),
        ({"temperature_c": {"path": ""}}, "mapping.temperature_c"),
        ({"battery_v": {"path": "b", "unit": "Ah"}}, "mapping.battery_v.unit"),
    ],
)
def test_a_wrong_mapping_is_refused_at_load_naming_rule_and_key(change: dict[str, Any], where: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        CompiledMapping(PayloadMapping.model_validate({**PLAIN, **change}), where="up/#")
    assert caught.value.where == f"topics: up/#: {where}"
    assert caught.value.remedy


def test_a_mapping_belongs_to_mapped_json_only() -> None:
    mapping = PayloadMapping(
        time="at", temperature_c=FieldMapping(path="t"), relative_humidity_pct=FieldMapping(path="h")
    )
    with pytest.raises(ValidationError, match="only to it"):
        TopicRule(pattern="a/{probe}", format=PayloadFormat.SENML_JSON, mapping=mapping)
    with pytest.raises(ValidationError, match="only to it"):
        TopicRule(pattern="a/{probe}", format=PayloadFormat.MAPPED_JSON)
