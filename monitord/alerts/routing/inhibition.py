"""Which alert explains another, so that one cause makes one message.

A silent gateway explains the silence of its probes; a faulty or silent probe explains whatever would be said from
its readings. An inhibited alert keeps its state and is shown with its reason; only the telling waits. After the
cause has ended its effects may take a while to end as well, so an inhibition lingers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from monitord.alerts.lifecycle.transitions import OPEN
from monitord.model.alerts import Alert, AlertStatus


class Sharing(StrEnum):
    """What source and target must have in common, besides the job."""

    GATEWAY = "gateway"
    LOCATION = "place"
    """The same probe, or the location of the source where the target names no probe."""


@dataclass(frozen=True)
class Inhibition:
    """While an alert of kind `source` is open, alerts of the `targets` that share something with it are not told."""

    source: str
    targets: frozenset[str]
    sharing: Sharing
    linger_s: float
    """How long after the source has closed it still counts. [s]"""
    why: str
    only_excluding: bool = False
    """Only a source whose readings are excluded counts: what else it measures is told as before."""


FROM_READINGS = frozenset(
    {
        "condensation",
        "condensation_expected",
        "mould",
        "mould_conditions",
        "wood_decay",
        "drying_stalled",
        "rewetting",
        "goal_unreachable",
        "drive_lost",
        "goal_reached",
        "equilibrated",
        "forecast_slipping",
        "freezing",
        "overheating",
    }
)
"""Kinds that rest on what a probe measures at a location."""

INHIBITIONS = (
    Inhibition("gateway_silent", frozenset({"probe_silent"}), Sharing.GATEWAY, 3600.0, "its gateway is silent"),
    Inhibition(
        "condensation",
        frozenset({"condensation_expected"}),
        Sharing.LOCATION,
        0.0,
        "it is condensing there already",
    ),
    Inhibition("mould", frozenset({"mould_conditions"}), Sharing.LOCATION, 0.0, "the mould index tells it already"),
    *(
        Inhibition(source, frozenset({"forecast_slipping"}), Sharing.LOCATION, 0.0, why)
        for source, why in (
            ("rewetting", "it is getting wet again there"),
            ("drying_stalled", "drying has stalled there"),
            ("goal_unreachable", "the goal there is out of reach in this air"),
        )
    ),
    # a probe that loses readings here and there is at fault, but what it does say still counts
    Inhibition("probe_fault", FROM_READINGS, Sharing.LOCATION, 0.0, "the probe there is faulty", only_excluding=True),
    Inhibition("probe_silent", FROM_READINGS | {"probe_fault"}, Sharing.LOCATION, 0.0, "the probe there is silent"),
)


@dataclass(frozen=True)
class Inhibited:
    """By which alert another is explained, and why."""

    by: str
    """Fingerprint."""
    reason: str


def inhibited(
    alerts: Iterable[Alert],
    as_of: datetime,
    gateways: Mapping[str, str] | None = None,
    inhibitions: Iterable[Inhibition] = INHIBITIONS,
) -> dict[str, Inhibited]:
    """Fingerprint to reason, for every open alert that another one explains.

    Parameters
    ----------
    gateways : probe to the gateway that it last reported through, for alerts that do not name theirs.
    """
    every = sorted(alerts, key=lambda alert: (alert.fingerprint, alert.episode))
    found: dict[str, Inhibited] = {}
    for rule in inhibitions:
        sources = [alert for alert in every if alert.kind == rule.source and _counts(alert, rule, as_of)]
        if not sources:
            continue
        near = _by_job(sources)
        for alert in every:
            if alert.kind in rule.targets and alert.status in OPEN and alert.fingerprint not in found:
                among = sources if rule.sharing is Sharing.GATEWAY else near.get(alert.job, ())
                source = next((s for s in among if _shares(rule.sharing, s, alert, gateways or {})), None)
                if source is not None:
                    found[alert.fingerprint] = Inhibited(source.fingerprint, rule.why)
    return found


def _by_job(alerts: Iterable[Alert]) -> dict[str, list[Alert]]:
    found: dict[str, list[Alert]] = {}
    for alert in alerts:
        found.setdefault(alert.job, []).append(alert)
    return found


def _counts(alert: Alert, rule: Inhibition, as_of: datetime) -> bool:
    if rule.only_excluding and alert.basis.facts.excluded is False:
        return False
    if alert.status in OPEN:
        return True
    recent = alert.closed_at is not None and as_of - alert.closed_at < timedelta(seconds=rule.linger_s)
    return alert.status is AlertStatus.CLOSED and alert.opened_at is not None and recent


def _shares(sharing: Sharing, source: Alert, target: Alert, gateways: Mapping[str, str]) -> bool:
    if source.fingerprint == target.fingerprint:
        return False
    if sharing is Sharing.GATEWAY:
        behind = target.gateway or gateways.get(target.probe or "")
        return source.gateway is not None and source.gateway == behind
    if source.job != target.job:
        return False
    if target.probe is not None and source.probe is not None:
        return source.probe == target.probe
    return source.location is not None and source.location == target.location
