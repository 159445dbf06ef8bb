"""Moves on the alerts that belong to no single job's assessment: gateways, stray probes, the program itself."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy import Connection

from monitord.alerts.lifecycle.engine import StepResult, step
from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.system.gateways import SeenProbe, fleet_findings
from monitord.alerts.system.self_monitoring import Condition, self_findings
from monitord.model.alerts import SYSTEM
from monitord.model.assessments import Finding
from monitord.store import alerts as stored_alerts
from monitord.store import assessments, last_seen, mirror, pauses
from monitord.store import jobs as stored_jobs
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database

_DAY = timedelta(days=1)


def watch_over(db: Database, rules: AlertRules, as_of: datetime, disk: Path | None) -> StepResult:
    """Judge gateways, stray probes and the program itself as of a time; one commit.

    Parameters
    ----------
    disk : a path on the disk whose free space counts; None: none does.

    Returns
    -------
    What changed, over all jobs.
    """
    free_share = free_share_of(disk) if disk is not None else None
    with db.write() as conn:
        by_job = _findings(conn, free_share, as_of)
        total = StepResult()
        for job, findings in by_job.items():
            result = step(rules, stored_alerts.current_alerts(conn, job), findings, job, as_of)
            stored_alerts.save_alerts(conn, result.alerts)
            stored_alerts.add_events(conn, result.events)
            total.alerts += result.alerts
            total.events += result.events
            total.decisions |= result.decisions
    return total


def _findings(conn: Connection, free_share: float | None, as_of: datetime) -> dict[str, list[Finding]]:
    jobs = [j for j in stored_jobs.list_jobs(conn) if j.start <= as_of and (j.end is None or as_of < j.end)]
    by_job = fleet_findings(
        seen_probes(conn), jobs, stored_alerts.open_alerts(conn), as_of, pauses.standing(conn, as_of)
    )
    copy = mirror.state(conn)
    condition = Condition(
        behind_since=assessments.oldest_behind(conn),
        free_share=free_share,
        undeliverable=len(stored_outbox.undeliverable(conn, since=as_of - _DAY)),
        mirror_failing_since=None if copy is None else copy.failing_since,
        mirror_refused=copy is not None and copy.refused,
    )
    by_job[SYSTEM] += self_findings(condition, as_of)
    return {job: findings for job, findings in by_job.items() if findings}


def seen_probes(conn: Connection) -> list[SeenProbe]:
    """When and through which gateway each probe was last seen."""
    return [SeenProbe(probe.probe, probe.last_seen_at, probe.gateway) for probe in last_seen.probes_seen(conn)]


def free_share_of(path: Path) -> float:
    """Share of a disk that is free, 0..1."""
    usage = shutil.disk_usage(path)
    return usage.free / usage.total
