"""Findings about gateways and stray probes: what can be said only by looking over all jobs at once."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitord.model.alerts import SYSTEM, Alert
from monitord.model.assessments import Facts, Finding
from monitord.model.facts import FindingKind, Truth
from monitord.model.jobs import JobFile

_UNPLACED_FOR = timedelta(hours=24)
"""How long a probe that is placed nowhere counts as seen."""


@dataclass(frozen=True)
class SeenProbe:
    """When and through which gateway a probe was last seen."""

    probe: str
    last_seen_at: datetime
    gateway: str | None


def fleet_findings(
    seen: Iterable[SeenProbe],
    jobs: Sequence[JobFile],
    standing: Sequence[Alert],
    as_of: datetime,
    paused: Collection[str] = (),
) -> dict[str, list[Finding]]:
    """Job (or `SYSTEM`) to its findings.

    Parameters
    ----------
    standing : the open alerts of these kinds: whatever they are about is judged again, so that they can clear.
    paused : ids of the jobs that raise nothing now; their probes have their places all the same.
    """
    by_probe = {probe.probe: probe for probe in seen}
    unplaced_probes = {alert.probe for alert in standing if alert.kind == "unplaced_probe" and alert.probe is not None}
    found: dict[str, list[Finding]] = {SYSTEM: _unplaced_probes(by_probe, jobs, unplaced_probes, as_of)}
    for job in jobs:
        if job.job in paused:
            continue
        known = {
            a.gateway for a in standing if a.kind == "gateway_silent" and a.job == job.job and a.gateway is not None
        }
        found.setdefault(job.job, []).extend(_gateways(by_probe, job, known, as_of))
    return found


def _gateways(seen: Mapping[str, SeenProbe], job: JobFile, known: set[str], as_of: datetime) -> list[Finding]:
    """A gateway of the job is as old as the newest reading that came through it.

    A gateway with one probe is left to that probe's own alert: nobody can tell which of the two is silent.
    """
    served: dict[str, list[tuple[SeenProbe, float]]] = {gateway: [] for gateway in known}
    for placement in job.probes:
        probe = seen.get(placement.probe)
        if placement.covers(as_of) and probe is not None and probe.gateway is not None:
            served.setdefault(probe.gateway, []).append((probe, placement.interval_s))
    return [
        _gateway(name, probes, as_of) if probes else _gateway_without_probes(name, as_of)
        for name, probes in sorted(served.items())
        if len(probes) > 1 or name in known
    ]


def _gateway(name: str, probes: Sequence[tuple[SeenProbe, float]], as_of: datetime) -> Finding:
    newest = max(probe.last_seen_at for probe, _ in probes)
    interval_s = min(interval for _, interval in probes)
    age_s = max(0.0, (as_of - newest).total_seconds())
    return Finding(
        kind=FindingKind.GATEWAY_SILENT,
        gateway=name,
        measured_at=as_of,
        value=age_s / interval_s,
        unit="intervals",
        readings=len(probes),
        since=newest,
        interval_s=interval_s,
        facts=Facts(at=newest, since=newest, probes=len(probes), interval_s=interval_s, age_s=age_s),
    )


def _gateway_without_probes(name: str, as_of: datetime) -> Finding:
    return Finding(
        kind=FindingKind.GATEWAY_SILENT,
        gateway=name,
        measured_at=as_of,
        value=0.0,
        unit="intervals",
        facts=Facts(probes=0),
    )


def _unplaced_probes(
    seen: Mapping[str, SeenProbe], jobs: Sequence[JobFile], known: set[str], as_of: datetime
) -> list[Finding]:
    """Probes that reported lately at a time at which no job has placed them."""
    findings = []
    for name in sorted(seen.keys() | known):
        probe = seen.get(name)
        lately = probe is not None and as_of - probe.last_seen_at <= _UNPLACED_FOR
        placements = (placement for job in jobs for placement in job.probes if placement.probe == name)
        has_location = probe is not None and any(placement.covers(probe.last_seen_at) for placement in placements)
        unplaced_probe = lately and not has_location
        if not unplaced_probe and name not in known:
            continue
        findings.append(
            Finding(
                kind=FindingKind.UNPLACED_PROBE,
                probe=name,
                measured_at=as_of,
                truth=Truth.of(unplaced_probe),
                readings=1,
                facts=Facts(at=probe.last_seen_at if probe is not None else None),
            )
        )
    return findings


def gateways_of(seen: Iterable[SeenProbe]) -> dict[str, str]:
    """Probe to the gateway that it last reported through."""
    return {probe.probe: probe.gateway for probe in seen if probe.gateway is not None}
