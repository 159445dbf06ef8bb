"""The state of alerts on a real broker: retained, taken back, shown again, and the last will."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alerts_support import after, alert, closed
from brokers import Mosquitto, wait_until
from jsonschema import Draft202012Validator
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from web_support import assessment

import monitord.alerts
from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.sending.channels.mqtt_state import MqttState, alert_payload, job_payload
from monitord.model.alerts import AlertStatus, Severity
from monitord.model.assessments import State

RULES = default_rule_book()
NORTH = f"monitord-alerts/J1/alert/{alert().fingerprint}"
SUMMARY = "monitord-alerts/J1/summary"
STATUS = "monitord-alerts/status"
ASSESSMENT = f"monitord-alerts/{assessment().job}/assessment"
SCHEMA_FILE = Path(monitord.alerts.__file__).parent / "sending/channels/mqtt_state.schema.json"
SCHEMA = Draft202012Validator(json.loads(SCHEMA_FILE.read_text(encoding="utf-8")))


class Listener:
    """A siren: knows what stands on every topic now."""

    def __init__(self, port: int) -> None:
        self.state: dict[str, Any] = {}
        self.retained: set[str] = set()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="siren")
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe("monitord-alerts/#", 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        if message.retain:
            self.retained.add(message.topic)
        if message.payload:
            self.state[message.topic] = json.loads(message.payload)
        else:
            self.state.pop(message.topic, None)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def siren(mosquitto: Mosquitto) -> Iterator[Listener]:
    listener = Listener(mosquitto.port)
    yield listener
    listener.close()


@pytest.fixture
def state(mosquitto: Mosquitto, siren: Listener) -> Iterator[MqttState]:
    publisher = MqttState(mosquitto.settings(), "monitord-alerts", RULES)
    publisher.start()
    wait_until(lambda: siren.state.get(STATUS) == {"format": 1, "status": "online"}, "the publisher is online")
    yield publisher
    publisher.stop()


def test_another_process_takes_over_and_this_one_may_come_again(
    state: MqttState, siren: Listener, mosquitto: Mosquitto
) -> None:
    """Of several that tell people one publishes; which one it is changes when one of them dies or stands still."""
    other = MqttState(mosquitto.settings(), "monitord-alerts", RULES)
    for leaving, coming in ((state, other), (other, state)):
        leaving.stop()
        wait_until(lambda: siren.state.get(STATUS) == {"format": 1, "status": "offline"}, "one has left")
        coming.start()
        coming.start()  # at each round
        wait_until(lambda: siren.state.get(STATUS) == {"format": 1, "status": "online"}, "one has come")
        wait_until(lambda coming=coming: coming.show([alert()]) > 0, "it shows everything again")  # type: ignore[misc]
    other.stop()
    wait_until(lambda: NORTH in siren.state, "the alert is there")
    assert siren.state[STATUS]["status"] == "online"


def test_a_siren_hears_an_alert_open_be_taken_on_and_close(state: MqttState, siren: Listener) -> None:
    state.show([alert()])
    wait_until(lambda: siren.state.get(SUMMARY, {}).get("worst") == "watch", "open")
    assert siren.state[NORTH]["state"] == "open"
    state.show([alert(status=AlertStatus.ACKNOWLEDGED, acknowledged_by="Bo")])
    wait_until(lambda: siren.state[SUMMARY]["acknowledged"] == 1, "taken on")
    state.show([closed()])
    wait_until(lambda: siren.state[SUMMARY]["open"] == 0, "closed")
    assert siren.state[NORTH]["state"] == "closed"
    assert siren.state[SUMMARY]["worst"] is None


def test_what_has_not_changed_is_not_published_again(state: MqttState) -> None:
    assert state.show([alert()]) == 2
    assert state.show([alert()]) == 0
    assert state.show([alert(severity=Severity.ACT)]) == 2
    assert state.show([]) == 2, "both are taken back"


def test_who_comes_later_finds_the_state(state: MqttState, mosquitto: Mosquitto, siren: Listener) -> None:
    state.show([alert()])
    wait_until(lambda: NORTH in siren.state, "published")
    siren.close()
    late = Listener(mosquitto.port)
    wait_until(lambda: {NORTH, SUMMARY, STATUS} <= late.retained, "retained")
    late.close()


def test_an_alert_that_is_gone_leaves_nothing_behind(state: MqttState, siren: Listener) -> None:
    state.show([alert()])
    wait_until(lambda: NORTH in siren.state, "published")
    state.show([])
    wait_until(lambda: NORTH not in siren.state, "taken back")


def test_after_the_broker_was_away_everything_is_shown_again(
    state: MqttState, siren: Listener, mosquitto: Mosquitto
) -> None:
    state.show([alert()])
    wait_until(lambda: NORTH in siren.state, "published")
    mosquitto.kill()
    wait_until(lambda: state.show([closed()]) == 0, "the publisher has noticed")
    mosquitto.start()
    wait_until(lambda: state.show([closed()]) > 0, "connected again", timeout=15)
    wait_until(lambda: siren.state.get(NORTH, {}).get("state") == "closed", "shown again", timeout=15)


def test_when_the_program_dies_the_broker_says_so(mosquitto: Mosquitto, siren: Listener) -> None:
    publisher = MqttState(mosquitto.settings(), "monitord-alerts", RULES)
    publisher.start()
    wait_until(lambda: siren.state.get(STATUS, {}).get("status") == "online", "online")
    sock = publisher._client.socket()
    assert sock is not None
    publisher._client.on_connect = None
    sock.shutdown(socket.SHUT_RDWR)  # as a killed process leaves it: no good-bye
    wait_until(lambda: siren.state[STATUS]["status"] == "offline", "the last will")
    publisher.stop()


def test_a_clean_stop_says_good_bye_and_may_be_said_twice(mosquitto: Mosquitto, siren: Listener) -> None:
    publisher = MqttState(mosquitto.settings("3.1.1"), "monitord-alerts", RULES)
    publisher.start()
    wait_until(lambda: siren.state.get(STATUS, {}).get("status") == "online", "online")
    publisher.stop()
    wait_until(lambda: siren.state[STATUS]["status"] == "offline", "good-bye")
    publisher.stop()
    assert publisher.show([alert()]) == 0


def test_the_guide_documents_every_field_that_is_published() -> None:
    guide = (Path(monitord.alerts.__file__).parent / "GUIDE.md").read_text(encoding="utf-8")
    fields = {*alert_payload(alert(), RULES), *job_payload("J1", [alert()])}
    missing = [name for name in sorted(fields) if f"`{name}`" not in guide]
    assert missing == []


def test_the_assessment_of_a_running_job_stands_on_its_topic_and_is_taken_back(
    state: MqttState, siren: Listener
) -> None:
    state.show([], [assessment()])
    wait_until(lambda: ASSESSMENT in siren.state, "published")
    void = next(item for item in siren.state[ASSESSMENT]["locations"] if item["over_room"] is not None)
    assert void["over_room"]["unit"] == "Pa"
    state.show([], [])
    wait_until(lambda: ASSESSMENT not in siren.state, "taken back")


def test_all_that_is_published_fits_the_schema_in_the_package(state: MqttState, siren: Listener) -> None:
    everything = [alert(), alert(status=AlertStatus.ACKNOWLEDGED, acknowledged_by="Bo", location="south")]
    state.show([*everything, closed(location="east")], [assessment()])
    wait_until(lambda: {STATUS, SUMMARY, NORTH, ASSESSMENT} <= siren.state.keys(), "published")
    for topic, payload in siren.state.items():
        SCHEMA.validate(payload)
        for name in payload:  # and it says something: nothing may be missing, nothing more be there
            assert not SCHEMA.is_valid({key: value for key, value in payload.items() if key != name}), (topic, name)
        assert not SCHEMA.is_valid({**payload, "more": 1}), topic


def test_the_schema_knows_every_state_and_severity() -> None:
    known = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))["$defs"]
    assert known["location"]["properties"]["state"]["enum"] == [state.value for state in State]
    assert known["alert"]["properties"]["severity"]["enum"] == [severity.value for severity in Severity]


def test_times_are_whole_seconds_of_utc() -> None:
    assert alert_payload(closed(at=1.5), RULES)["closed_at"] == after(1.5).strftime("%Y-%m-%dT%H:%M:%SZ")
