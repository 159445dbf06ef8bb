"""No single message takes much memory or work, whatever is in it: the way in must go on for the others."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, cast

import pytest
from poison_child import POISONS, backlog

from monitord.clock import SystemClock
from monitord.ingest.decoding import records
from monitord.ingest.decoding.native_json import decode
from monitord.ingest.decoding.records import MAX_PROBLEMS, MAX_RECORDS, RecordSource
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.client import new_client
from monitord.ingest.payload_limit import KEPT_BYTES
from monitord.ingest.quarantine import release
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.model.config.broker import BrokerSettings
from monitord.store.db.database import Database
from monitord.store.quarantine import list_held

CHILD = Path(__file__).parents[2] / "support" / "poison_child.py"
NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
MAX_PEAK_BYTES = 50 * 2**20
"""What one message may take; 28 MiB is the most of those below, 1,250 MiB was before there was a limit."""
MAX_CALLS = 800_000
"""Calls of functions for one message: under half a second. Without limits it was eleven million."""
CODES = {
    "five_megabytes_of_bad_records": "too_large",
    "bad_records": "too_many_records",
    "empty_lists": "too_many_records",
    "senml_records": "too_many_records",
    "senml_long_base_name": "not_senml",
    "mapped_records": "too_many_records",
    "keys_alike": "bad_record",
    "nested": "not_json",
    "cbor_shared": "bad_value",
    "cbor_huge_integer": "not_finite",
    "cbor_length_of_an_array_that_does_not_come": "not_cbor",
    "forecast_hours": "incomplete",
}


@pytest.fixture(scope="module")
def measured() -> dict[str, Any]:
    done = subprocess.run([sys.executable, CHILD], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    return cast(dict[str, Any], json.loads(done.stdout))


@pytest.mark.parametrize("name", POISONS)
def test_one_message_takes_a_bounded_amount_of_memory_and_work(measured: dict[str, Any], name: str) -> None:
    took = measured[name]
    assert took["peak"] < MAX_PEAK_BYTES
    assert took["calls"] < MAX_CALLS
    assert len(took["codes"]) == (name != "good_readings_as_many_as_allowed")
    if name in CODES:
        assert took["codes"] == [CODES[name]]
    if name == "good_readings_as_many_as_allowed":
        assert took["inserted"] == MAX_RECORDS - 3  # three came before
    if name == "five_megabytes_of_bad_records":
        assert took["kept"] == KEPT_BYTES


def test_one_record_over_the_most_is_too_many() -> None:
    source = RecordSource(NOW, probe="p")
    assert len(decode(backlog(MAX_RECORDS), source).readings) == MAX_RECORDS
    with pytest.raises(records.DecodeError) as caught:
        decode(backlog(MAX_RECORDS + 1), source)
    assert caught.value.code == "too_many_records"


def test_only_the_first_errors_are_kept_and_good_readings_behind_them_are_taken() -> None:
    bad = b",".join([b"{}"] * 100)
    found = decode(b"[" + bad + b"," + backlog(3)[1:], RecordSource(NOW, probe="p"))
    assert len(found.problems) == MAX_PROBLEMS
    assert found.bad == 100
    assert len(found.readings) == 3
    assert all(problem.__traceback__ is None for problem in found.problems)


def test_what_is_too_large_is_held_by_its_beginning_its_length_and_its_digest_and_is_never_released() -> None:
    db = Database.open("sqlite://")
    writer = BatchWriter(db, TopicRules(), max_payload_bytes=10_000)
    fits, one, other = backlog(100), backlog(1000), backlog(1001)
    assert len(fits) < 10_000 < len(one)
    for payload in (one, other, one, fits):
        writer.commit([IncomingMessage("monitord/g/p/reading", payload, NOW)])
    with db.read() as conn:
        held = {item.times: item for item in list_held(conn)}
    assert sorted(held) == [1, 2]  # two that begin alike are told apart, and the same again is counted
    assert held[2].payload == one[:KEPT_BYTES]
    assert held[2].code == "too_large"
    assert f"{len(one):,} bytes" in held[2].reason
    assert sha256(one).hexdigest() in held[2].reason
    result = release(db, TopicRules(), SystemClock())
    assert (result.released, result.outcome.inserted, len(result.still_held)) == (0, 0, 2)
    assert "publish it again" in result.still_held[0].reason
    db.close()


def test_the_broker_is_asked_not_to_send_what_is_far_too_large() -> None:
    # MQTT 5.0, 3.1.2.11.4: the maximum packet size of the CONNECT packet
    client = new_client(BrokerSettings(max_payload_bytes=2000), lasting=True)
    assert client._connect_properties.MaximumPacketSize == 16_000
