"""The state of alerts and assessments as retained messages, so that a siren or another system can listen.

Topics and payloads are described in monitord/alerts/GUIDE.md and mqtt_state.schema.json. The broker itself says when
this program is away: its last will stands on the status topic.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterable, Mapping
from datetime import UTC
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitord.alerts.lifecycle.rules import AlertRules, severity_rank
from monitord.alerts.lifecycle.transitions import OPEN
from monitord.alerts.messages.alert_speaker import limits_of
from monitord.alerts.sending.channels.assessment_state import FORMAT, assessment_payload, stamp
from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment
from monitord.model.config.broker import BrokerSettings
from monitord.model.quantity import Quantity
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker

_log = logging.getLogger(__name__)
_PROTOCOLS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}


def alert_topic(prefix: str, alert: Alert) -> str:
    """Where the state of an alert stands: the job's id never contains `/`, `+` or `#`."""
    return f"{prefix}/{alert.job}/alert/{alert.fingerprint}"


def alert_payload(alert: Alert, rules: AlertRules) -> dict[str, object]:
    """What is published about an alert."""
    rule = rules.rule_for(alert.kind, alert.job, alert.location)
    finding = alert.finding
    number = (
        finding.facts.value if finding.value is None else Quantity(value=finding.value, unit=finding.unit, u=finding.u)
    )
    speaker = Speaker(language(), UTC, finding.measured_at)  # the same as long as the finding is

    return {
        "format": FORMAT,
        "job": alert.job,
        "kind": alert.kind,
        "location": alert.location,
        "probe": alert.probe,
        "gateway": alert.gateway,
        "state": alert.status.value,
        "severity": alert.severity.value,
        "episode": alert.episode,
        "opened_at": stamp(alert.opened_at),
        "closed_at": stamp(alert.closed_at),
        "acknowledged_by": alert.acknowledged_by,
        "measured_at": stamp(finding.measured_at),
        "value": number.value if number is not None else None,
        "unit": number.unit if number is not None else "",
        "u": number.u if number is not None else None,
        "raise_at": rule.raise_at if rule is not None else None,
        "clear_at": rule.clear_at if rule is not None else None,
        "known": alert.unknown_since is None,
        "inhibited_by": alert.inhibited_by,
        "summary": AlertSpeaker(speaker, alert, limits=limits_of(alert, rules, speaker)).opening(),
    }


def job_payload(job: str, alerts: Iterable[Alert]) -> dict[str, object]:
    """What is published about a job as a whole: enough for a lamp or a siren."""
    open_ = [alert for alert in alerts if alert.job == job and alert.status in OPEN]
    worst = max((alert.severity for alert in open_), key=severity_rank, default=None)
    return {
        "format": FORMAT,
        "job": job,
        "open": len(open_),
        "acknowledged": sum(alert.acknowledged_by is not None for alert in open_),
        "worst": worst.value if worst is not None else None,
    }


class MqttState:
    """Keeps the retained messages on the broker equal to the alerts it is shown.

    Connects by itself, again and again; what it could not publish goes out once the broker is back. Start it, show
    it the alerts at every round, stop it.
    """

    def __init__(self, broker: BrokerSettings, prefix: str, rules: AlertRules) -> None:
        self._prefix = prefix
        self._rules = rules
        self._broker = broker
        self._published: dict[str, str] = {}
        self._started = False
        self._client = self._new_client()

    @property
    def status_topic(self) -> str:
        """Holds `{"format": 1, "status": "online"}`, or `offline` by the last will."""
        return f"{self._prefix}/status"

    def start(self) -> None:
        """Begin to connect; returns at once. Nothing happens where it has begun already."""
        if self._started:
            return
        self._started = True
        self._client.connect_async(self._broker.host, self._broker.port, self._broker.keepalive_s)
        self._client.loop_start()

    def show(self, alerts: Iterable[Alert], assessments: Iterable[JobAssessment] = ()) -> int:
        """Publish what differs from what the broker was given; how many messages that were.

        Parameters
        ----------
        alerts : the latest episode of every alert that ever opened; what is no longer among them is taken back.
        assessments : the latest of each job that is running; the same holds for them.
        """
        if not self._client.is_connected():
            return 0
        wanted = self._wanted(list(alerts), assessments)
        changed = {topic: text for topic, text in wanted.items() if self._published.get(topic) != text}
        gone = {topic: "" for topic in self._published.keys() - wanted.keys()}
        for topic, text in {**changed, **gone}.items():
            if self._client.publish(topic, text.encode(), qos=1, retain=True).rc != mqtt.MQTT_ERR_SUCCESS:
                return 0  # the connection went down; all of it is published again when it is back
            self._published[topic] = text
        for topic in gone:
            del self._published[topic]
        return len(changed) + len(gone)

    def stop(self, timeout_s: float = 5.0) -> None:
        """Say good-bye on the status topic and leave. Safe to call twice; it may be started again."""
        if not self._started:
            return
        self._started = False
        if self._client.is_connected():
            last = self._client.publish(self.status_topic, _status("offline"), qos=1, retain=True)
            try:
                last.wait_for_publish(timeout_s)
            except (ValueError, RuntimeError) as error:
                _log.warning("could not say good-bye on %s: %s", self.status_topic, error)
        self._client.disconnect()
        self._client.loop_stop()
        self._client = self._new_client()  # one that is started twice leaves sockets open

    def _wanted(self, alerts: list[Alert], assessments: Iterable[JobAssessment]) -> Mapping[str, str]:
        wanted = {
            alert_topic(self._prefix, alert): json.dumps(alert_payload(alert, self._rules), sort_keys=True)
            for alert in alerts
            if alert.opened_at is not None
        }
        for job in {alert.job for alert in alerts}:
            wanted[f"{self._prefix}/{job}/summary"] = json.dumps(job_payload(job, alerts), sort_keys=True)
        for assessment in assessments:
            topic = f"{self._prefix}/{assessment.job}/assessment"
            wanted[topic] = json.dumps(assessment_payload(assessment), sort_keys=True)
        return wanted

    def _new_client(self) -> mqtt.Client:
        broker = self._broker
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"{broker.client_id}-alerts", protocol=_PROTOCOLS[broker.protocol]
        )
        client.reconnect_delay_set(1, max(1, int(broker.reconnect_max_s)))
        client.will_set(self.status_topic, _status("offline"), qos=1, retain=True)
        client.on_connect = self._connected
        if broker.username is not None:
            secret = broker.password.get_secret_value() if broker.password is not None else None
            client.username_pw_set(broker.username, secret)
        if broker.tls:
            client.tls_set(broker.tls_ca_file, broker.tls_cert_file, broker.tls_key_file)
        return client

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            _log.error("the broker refused the publication of alerts: %s", reason)
            return
        self._published.clear()  # the broker may have lost its retained messages: show everything again
        client.publish(self.status_topic, _status("online"), qos=1, retain=True)


def _status(word: str) -> bytes:
    return json.dumps({"format": FORMAT, "status": word}).encode()
