"""What rules of any gateway can say: when, topic levels, keys as ids, encodings, times, halves."""

from __future__ import annotations

import gzip
import json
import struct
from datetime import UTC, datetime
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from monitord.errors import DecodeError
from monitord.ingest.decoding.decode import Content, decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.model.config.broker import TopicRule
from monitord.model.readings import Reading

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
FIELDS: dict[str, Any] = {"temperature_c": {"path": "t"}, "relative_humidity_pct": {"path": "h"}}
ARRIVAL: dict[str, Any] = {"time_format": "arrival", **FIELDS}


def rules(*given: dict[str, Any]) -> TopicRules:
    return TopicRules([TopicRule.model_validate({"format": "mapped-json", **rule}) for rule in given])


def content(rule: TopicRules, topic: str, payload: object, **more: bool) -> Content:
    data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return decode(topic, data, NOW, rule, **more)


def only(rule: TopicRules, topic: str, payload: object) -> Reading:
    (reading,) = content(rule, topic, payload).readings
    return reading


def refusal(rule: TopicRules, topic: str, payload: object, **more: bool) -> DecodeError:
    with pytest.raises(DecodeError) as caught:
        content(rule, topic, payload, **more)
    return caught.value


# --- when ----------------------------------------------------------------------------------------------------------


def test_what_is_no_reading_passes_and_is_not_held() -> None:
    up = rules({"pattern": "up/{probe}", "when": "t && h", "mapping": ARRIVAL})
    assert only(up, "up/p", {"t": 0, "h": 61}).temperature_c == 0.0  # zero is a value
    for payload in ({"button": 1}, {"t": 18, "h": None}, [], b"online", b"OFF"):
        assert content(up, "up/p", payload) == Content(passed=True)
    assert refusal(up, "up/p", b'{"t": 18').code == "not_json"  # a message that is cut off is no status


def test_the_first_rule_whose_when_is_true_holds() -> None:
    both = rules(
        {"pattern": "up/{probe}", "when": "kind == 'a'", "mapping": ARRIVAL},
        {"pattern": "up/{probe}", "mapping": {**ARRIVAL, "temperature_c": {"path": "t", "unit": "F"}}},
    )
    assert only(both, "up/p", {"kind": "a", "t": 32, "h": 50}).temperature_c == 32.0
    assert only(both, "up/p", {"kind": "b", "t": 32, "h": 50}).temperature_c == 0.0


def test_when_belongs_to_a_mapping_and_must_parse() -> None:
    with pytest.raises(ValidationError, match="`when` belongs"):
        TopicRule.model_validate({"pattern": "a/{probe}", "format": "senml-json", "when": "t"})
    with pytest.raises(Exception, match="not a JMESPath"):
        rules({"pattern": "a/{probe}", "when": "t[", "mapping": ARRIVAL})


# --- what expressions see ------------------------------------------------------------------------------------------


def test_expressions_see_topic_payload_and_the_keys_of_a_map() -> None:
    mapping = {
        **FIELDS,
        "time_format": "unix-s",
        "records": "entries(tags)",
        "probe": "join('-', [topic('site'), key])",
        "gateway": "payload().gw",
        "time": "payload().at",
        "temperature_c": {"path": "value.t"},
        "relative_humidity_pct": {"path": "value.h"},
    }
    found = content(
        rules({"pattern": "{site}/tags", "mapping": mapping}),
        "mill/tags",
        {"gw": "g", "at": 1740823200, "tags": {"a": {"t": 1, "h": 2}, "b": {"t": 3, "h": 4}}},
    ).readings
    assert [(r.probe, r.gateway, r.temperature_c, r.time.minute) for r in found] == [
        ("mill-a", "g", 1.0, 0),
        ("mill-b", "g", 3.0, 0),
    ]


def test_a_stated_sign_stands_for_what_an_id_can_not_hold() -> None:
    plain = rules({"pattern": "z/{probe}", "mapping": ARRIVAL})
    assert "replace_in_ids" in refusal(plain, "z/Living room", {"t": 1, "h": 2}).message
    replaced = rules({"pattern": "z/{probe}", "mapping": {**ARRIVAL, "replace_in_ids": "_"}})
    assert only(replaced, "z/Living room", {"t": 1, "h": 2}).probe == "Living_room"
    inner = {**ARRIVAL, "replace_in_ids": "-", "probe": "name"}
    assert only(rules({"pattern": "z", "mapping": inner}), "z", {"name": "$a/b+c#", "t": 1, "h": 2}).probe == "-a-b-c-"


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-Infinity", "unavailable", ""])
def test_a_text_that_is_no_json_number_is_null(text: str) -> None:
    # jmespath.org, to_number: the result is null unless the text is a JSON number
    up = rules({"pattern": "up/{probe}", "when": "to_number(t) != `null`", "mapping": ARRIVAL})
    assert content(up, "up/p", {"t": text, "h": 61}).passed


# --- encodings -----------------------------------------------------------------------------------------------------


def test_gzip_cbor_text_and_hex_are_read() -> None:
    up = rules(
        {"pattern": "json/{probe}", "mapping": ARRIVAL},
        {"pattern": "cbor/{probe}", "mapping": {**ARRIVAL, "encoding": "cbor"}},
        {
            "pattern": "hex/{probe}",
            "mapping": {
                "encoding": "hex",
                "time_format": "arrival",
                "records": "decode('bthome-v2', @)",
                "temperature_c": {"path": "temperature"},
                "relative_humidity_pct": {"path": "humidity"},
            },
        },
        {
            "pattern": "text/{probe}",
            "mapping": {
                "encoding": "text",
                "time_format": "arrival",
                "temperature_c": {"path": "to_number(split(@, ' ')[0])"},
                "relative_humidity_pct": {"path": "to_number(split(@, ' ')[1])"},
            },
        },
    )
    values = {"t": 18.2, "h": 61.5}
    for topic, payload in {
        "json/p": gzip.compress(json.dumps(values).encode()),
        "cbor/p": cbor2.dumps(values),
        "text/p": b"18.2 61.5\n",
    }.items():
        reading = only(up, topic, payload)
        assert (reading.temperature_c, reading.relative_humidity_pct) == (18.2, 61.5)
    assert only(up, "hex/p", bytes.fromhex("4002C40903BF13")).relative_humidity_pct == 50.55  # bthome.io/format


def test_what_unpacks_to_too_much_is_refused_before_it_is_read() -> None:
    up = rules({"pattern": "json/{probe}", "mapping": ARRIVAL})
    bomb = gzip.compress(b" " * 2**24)
    assert len(bomb) < 2**15
    assert refusal(up, "json/p", bomb).code == "unpacks_too_large"
    assert refusal(up, "json/p", gzip.compress(b"{}")[:-4]).code == "unpacks_too_large"
    full = json.dumps({"t": 1, "h": 2}).encode().ljust(2**20)
    assert only(up, "json/p", gzip.compress(full)).temperature_c == 1.0
    assert refusal(up, "json/p", gzip.compress(full + b" ")).code == "unpacks_too_large"


def field(number: int, kind: int, value: bytes) -> bytes:
    return bytes([number << 3 | kind]) + value


def metric(name: str, value: float, at: int) -> bytes:
    # sparkplug_b.proto, message Metric: name 1, timestamp 3, datatype 4 (10 is Double), double_value 13
    body = field(1, 2, bytes([len(name)]) + name.encode()) + field(3, 0, varint(at)) + field(4, 0, b"\x0a")
    body += field(13, 1, struct.pack("<d", value))
    return field(2, 2, varint(len(body)) + body)


def varint(value: int) -> bytes:
    out = b""
    while value > 0x7F:
        out, value = out + bytes([value & 0x7F | 0x80]), value >> 7
    return out + bytes([value])


def test_sparkplug_b_metrics_are_read() -> None:
    mapping = {
        "encoding": "sparkplug-b",
        "time": "timestamp",
        "time_format": "unix-ms",
        "temperature_c": {"path": 'values."Inputs/Temperature"'},
        "relative_humidity_pct": {"path": 'values."Inputs/Humidity"'},
    }
    up = rules({"pattern": "spBv1.0/{group}/DDATA/{gateway}/{probe}", "when": "values", "mapping": mapping})
    at = 1740823200000
    payload = field(1, 0, varint(at)) + metric("Inputs/Temperature", 18.25, at) + metric("Inputs/Humidity", 61.5, at)
    reading = only(up, "spBv1.0/mill/DDATA/edge/p", payload + field(3, 0, b"\x07"))
    assert (reading.probe, reading.gateway, reading.temperature_c, reading.relative_humidity_pct) == (
        "p",
        "edge",
        18.25,
        61.5,
    )
    assert reading.time == datetime(2025, 3, 1, 10, tzinfo=UTC)
    assert content(up, "spBv1.0/mill/DDATA/edge/p", field(3, 0, b"\x07")).passed
    assert refusal(up, "spBv1.0/mill/DDATA/edge/p", payload[:-3]).code == "not_sparkplug"


def test_a_flood_of_empty_fields_or_metrics_is_refused_early() -> None:
    mapping = {**ARRIVAL, "encoding": "sparkplug-b"}
    up = rules({"pattern": "sp/{probe}", "when": "values.t", "mapping": mapping})
    assert content(up, "sp/p", b"\x18\x02" * 10_000).passed
    assert refusal(up, "sp/p", b"\x18\x02" * 10_001).code == "not_sparkplug"
    assert content(up, "sp/p", b"\x12\x00" * 5_000).passed
    assert refusal(up, "sp/p", b"\x12\x00" * 5_001).code == "too_many_records"


# --- times ---------------------------------------------------------------------------------------------------------


def at(value: object, time_format: object, **more: object) -> Reading:
    mapping = {**FIELDS, "time": "at", "time_format": time_format, **more}
    return only(rules({"pattern": "up/{probe}", "mapping": mapping}), "up/p", {"at": value, "t": 1, "h": 2})


def bad_time(value: object, time_format: object, **more: object) -> DecodeError:
    with pytest.raises(DecodeError) as caught:
        at(value, time_format, **more)
    return caught.value


@pytest.mark.parametrize(
    ("value", "time_format"),
    [
        (1740823200, "unix-s"),
        (1740823200_000, "unix-ms"),
        (1740823200_000_000, "unix-us"),
        (1740823200_000_000_000, "unix-ns"),
        ("2025-03-01 10:00:00Z", "rfc3339"),
        ("2025-03-01T12:00:00+0200", "rfc3339"),
        ("2025-03-01 12:00:00.000 +02:00", "rfc3339"),
        ("2025-03-01T12:00:00+02", "rfc3339"),
        ("2025-03-01T10:00:00.000000000Z", "rfc3339"),
        (1740823200, ["rfc3339", "unix-ms", "unix-s"]),
        ("2025-03-01T10:00:00Z", ["unix-ms", "rfc3339"]),
    ],
)
def test_each_way_to_write_a_time(value: object, time_format: object) -> None:
    assert at(value, time_format).time == datetime(2025, 3, 1, 10, tzinfo=UTC)


def test_arrival_stands_in_at_the_end_of_a_list_for_a_message_without_a_time_only() -> None:
    assert at(None, ["unix-s", "arrival"]).time == NOW
    assert bad_time("noon", ["rfc3339", "arrival"]).code == "bad_time"
    with pytest.raises(ValidationError, match="stands last"):
        at(1, ["arrival", "unix-s"])


@pytest.mark.parametrize(
    ("value", "stated", "meant"),
    [
        (1740823200, "unix-ms", "unix-s"),  # would be 1970-01-21
        (1740823200_000, "unix-s", "unix-ms"),
        (1740823200_000_000, "unix-ms", "unix-us"),
        (1740823200_000_000_000, "unix-us", "unix-ns"),
    ],
)
def test_a_wrong_unit_is_refused_and_named(value: int, stated: str, meant: str) -> None:
    error = bad_time(value, stated)
    assert error.code == "bad_time"
    assert f"it would be one in {meant}" in error.message
    assert "Check time_format" in error.message


def test_a_clock_that_was_never_set_is_refused_too() -> None:
    assert "sender's clock" in bad_time(4711, "unix-s").message


@pytest.mark.parametrize(
    ("local", "utc"),
    [
        ("2025-01-15 10:00:00", "2025-01-15T10:00:00Z"),
        ("2025-07-15T10:00:00", "2025-07-15T09:00:00Z"),
        # IANA, Europe/London: on 2024-10-27 the clocks went back at 01:00 UTC; both are past, the later is taken
        ("2024-10-27T01:30:00", "2024-10-27T01:30:00Z"),
        ("2025-03-01T12:00:00+02:00", "2025-03-01T10:00:00Z"),  # an offset stands above the zone
    ],
)
def test_a_zone_is_for_texts_without_an_offset(local: str, utc: str) -> None:
    assert at(local, "rfc3339", time_zone="Europe/London").time == datetime.fromisoformat(utc)


def test_of_an_hour_that_comes_twice_the_one_that_has_come_is_taken() -> None:
    # IANA, Europe/London: 01:30 on 2025-10-26 is 00:30 UTC and again 01:30 UTC
    mapping = {**FIELDS, "time": "at", "time_zone": "Europe/London"}
    up = rules({"pattern": "up/{probe}", "mapping": mapping})
    payload = json.dumps({"at": "2025-10-26T01:30:00", "t": 1, "h": 2}).encode()
    for received, expected in (("00:31", "00:30"), ("01:31", "01:30")):
        came = datetime.fromisoformat(f"2025-10-26T{received}:00Z")
        (reading,) = decode("up/p", payload, came, up).readings
        assert reading.time == datetime.fromisoformat(f"2025-10-26T{expected}:00Z")


def test_local_times_that_can_not_be_are_refused() -> None:
    assert "left this hour out" in bad_time("2025-03-30T01:30:00", "rfc3339", time_zone="Europe/London").message
    assert "time_zone" in bad_time("2025-03-01T10:00:00", "rfc3339").message
    with pytest.raises(ValidationError, match="no time zone"):
        at("2025-03-01T10:00:00", "rfc3339", time_zone="Europe/Londn")


def test_a_message_that_may_have_waited_has_no_age_of_its_own() -> None:
    up = rules({"pattern": "up/{probe}", "mapping": ARRIVAL})
    assert refusal(up, "up/p", {"t": 1, "h": 2}, delayed=True).code == "no_age"
    timed = rules({"pattern": "up/{probe}", "mapping": {**FIELDS, "time": "at", "time_format": "unix-s"}})
    assert len(content(timed, "up/p", {"at": 1740823200, "t": 1, "h": 2}, delayed=True).readings) == 1


# --- halves --------------------------------------------------------------------------------------------------------


def test_a_mapping_of_one_quantity_needs_join_within_s() -> None:
    half = {"time_format": "arrival", "temperature_c": {"path": "@"}}
    with pytest.raises(ValidationError, match="join_within_s"):
        rules({"pattern": "up/{probe}/t", "mapping": half})
    up = rules({"pattern": "up/{probe}/t", "mapping": {**half, "join_within_s": 30}})
    found = content(up, "up/p/t", b"18.2")
    assert found.readings == ()
    assert found.halves[0].values == {"probe": "p", "time": NOW, "temperature_c": 18.2}


def test_a_message_with_both_is_a_reading_at_once_and_one_with_neither_is_refused() -> None:
    up = rules({"pattern": "up/{probe}", "mapping": {**ARRIVAL, "join_within_s": 30}})
    assert only(up, "up/p", {"t": 1, "h": 2}).relative_humidity_pct == 2.0
    assert refusal(up, "up/p", {}).code == "incomplete"


# --- any payload ---------------------------------------------------------------------------------------------------

HARD = rules(
    {
        "pattern": "a/{x}/{probe}",
        "when": "length(@) > `1` && contains(@, 't')",
        "mapping": {
            "records": "entries(@)",
            "probe": "join('/', [topic('x'), key, to_string(payload())])",
            "time": "value.at || payload().at",
            "time_format": ["unix-ms", "rfc3339", "arrival"],
            "time_zone": "Europe/London",
            "replace_in_ids": "_",
            "join_within_s": 5,
            "temperature_c": {"path": "when(key == 't', value)"},
            "relative_humidity_pct": {"path": "decode('bthome-v2', value.d).humidity"},
        },
    },
    {
        "pattern": "cbor/{probe}",
        "mapping": {**ARRIVAL, "encoding": "cbor", "time_format": ["unix-ns", "arrival"], "time": "at"},
    },
    {
        "pattern": "sp/{probe}",
        "mapping": {**ARRIVAL, "encoding": "sparkplug-b", "records": "metrics", "temperature_c": {"path": "value"}},
    },
    {
        "pattern": "lpp/{probe}",
        "mapping": {**ARRIVAL, "encoding": "hex", "records": "decode('cayenne-lpp', @)"},
    },
    {"pattern": "text/{probe}", "mapping": {**ARRIVAL, "encoding": "text", "records": "split(@, ',')"}},
)
_LEAVES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=6)
    | st.sampled_from(["2025-10-26 01:30:00", "0001-01-01T00:00:00", "9999-12-31T23:59:60", "4002C409", 1.74e12])
)
_TREES = st.recursive(
    _LEAVES,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["t", "h", "at", "d", "value"]) | st.text(max_size=3), inner, max_size=5)
    ),
    max_leaves=15,
)
_BYTES = (
    st.binary(max_size=120)
    | _TREES.map(lambda tree: json.dumps(tree).encode())
    | _TREES.map(cbor2.dumps)
    | _TREES.map(lambda tree: gzip.compress(json.dumps(tree).encode()))
    | st.floats(allow_nan=True).map(lambda value: metric("t", value, 1) + metric("h", value, 1))
)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(["a/x/p", "a/ /$", "cbor/p", "sp/p", "lpp/p", "text/p"]), _BYTES, st.booleans(), st.booleans())
def test_no_payload_makes_a_rule_raise_anything_but_its_own_error(
    topic: str, payload: bytes, retained: bool, delayed: bool
) -> None:
    refused: DecodeError | None = None
    try:
        decode(topic, payload, NOW, HARD, retained=retained, delayed=delayed)
    except DecodeError as error:
        refused = error
    if refused is not None:
        assert refused.code != "decoder_failed", refused.message
        assert refused.message
