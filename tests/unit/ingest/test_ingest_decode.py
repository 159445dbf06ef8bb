"""Whatever the bytes are, decoding ends in readings or in one kind of error."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.errors import DecodeError
from monitord.ingest.decoding import native_json
from monitord.ingest.decoding.decode import Content, PartlyDecodedError, decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.model.config.broker import TopicRule
from monitord.model.readings import Reading

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
MAPPED = TopicRule.model_validate(
    {
        "pattern": "up/{probe}",
        "format": "mapped-json",
        "mapping": {
            "records": "data[].{at: t, x: abs(v)}",
            "time": "at",
            "time_format": "unix-s",
            "temperature_c": {"path": "x", "unit": "F"},
            "relative_humidity_pct": {"path": "max_by(@, &x)"},
        },
    }
)
RULES = TopicRules([MAPPED])
TOPICS = ["monitord/g/p/reading", "monitord/g/p/senml", "monitord/g/p/senml-cbor", "monitord/g/p/status", "up/p"]
GOOD = {"time": "2025-03-01T10:00:00Z", "temperature_c": 18.2, "relative_humidity_pct": 61.4}


def attempt(topic: str, payload: bytes) -> tuple[Reading, ...]:
    """Readings, or none for a refusal that says what and why; anything else fails the test."""
    refusal = None
    try:
        return decode(topic, payload, NOW, RULES).readings
    except DecodeError as error:
        refusal = error
    assert refusal.code != "decoder_failed", refusal.message
    assert refusal.message
    return refusal.readings if isinstance(refusal, PartlyDecodedError) else ()


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(TOPICS), st.binary(max_size=200))
def test_any_bytes_end_in_readings_or_a_decode_error(topic: str, payload: bytes) -> None:
    attempt(topic, payload)


_SCALARS: st.SearchStrategy[Any] = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.datetimes().map(str)
)
_KEYS = st.sampled_from(
    [*native_json.KEYS, "bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "t", "x_", "data"]
) | st.text(max_size=3)
_TREES = st.recursive(
    _SCALARS | st.sampled_from(["Cel", "%RH", "rh", "2025-03-01T10:00:00Z", 1.74e9]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_KEYS, inner, max_size=6),
    max_leaves=20,
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(TOPICS), _TREES)
def test_any_json_ends_in_readings_or_a_decode_error(topic: str, tree: Any) -> None:
    for reading in attempt(topic, json.dumps(tree).encode()):
        assert reading.probe == "p"


_CBOR_KEYS = _KEYS | st.integers(-7, 9)
_CBOR_TREES = st.recursive(
    _SCALARS | st.sampled_from(["Cel", "%RH", "rh", 1.74e9]) | st.decimals() | st.binary(max_size=4),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_CBOR_KEYS, inner, max_size=6),
    max_leaves=20,
)


@settings(max_examples=150, deadline=None)
@given(_CBOR_TREES, st.binary(max_size=2), st.integers(0, 30))
def test_any_cbor_cut_or_continued_ends_in_readings_or_a_decode_error(tree: Any, more: bytes, cut: int) -> None:
    payload = cbor2.dumps(tree)
    attempt("monitord/g/p/senml-cbor", payload + more)
    attempt("monitord/g/p/senml-cbor", payload[:-cut])


@pytest.mark.parametrize("topic", TOPICS)
def test_an_empty_payload_carries_nothing(topic: str) -> None:
    # MQTT 5.0, 3.3.1.3: an empty payload removes a retained message
    assert decode(topic, b"", NOW, RULES) == Content()


def test_a_status_message_is_taken_and_carries_no_reading() -> None:
    assert decode("monitord/g/p/status", b"offline", NOW, RULES) == Content()


def test_an_unknown_topic_is_refused_even_when_empty() -> None:
    with pytest.raises(DecodeError) as caught:
        decode("elsewhere", b"", NOW, RULES)
    assert caught.value.code == "no_rule"


def test_a_partly_bad_payload_gives_its_good_readings_and_counts_the_bad() -> None:
    payload = json.dumps([GOOD, {}, {}, {**GOOD, "time": "2025-03-01T11:00:00Z"}]).encode()
    with pytest.raises(PartlyDecodedError) as caught:
        decode("monitord/g/p/reading", payload, NOW, RULES)
    assert [reading.time.hour for reading in caught.value.readings] == [10, 11]
    assert caught.value.code == "incomplete"
    assert "record 2" in caught.value.message
    assert "1 more record" in caught.value.message


def test_a_decoders_own_mistake_is_a_refusal_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_payload: bytes, _source: object) -> None:
        raise ZeroDivisionError("a mistake of ours")

    monkeypatch.setattr(native_json, "decode", broken)
    with pytest.raises(DecodeError) as caught:
        decode("monitord/g/p/reading", b"{}", NOW, RULES)
    assert caught.value.code == "decoder_failed"
    assert "a mistake of ours" in caught.value.message
