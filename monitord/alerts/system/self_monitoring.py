"""The watcher is watched: findings about the program itself."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitord.model.assessments import Finding


@dataclass(frozen=True)
class Condition:
    """How the program stands as of a time."""

    behind_since: datetime | None
    """As of when the job was assessed that has waited longest; None: nothing waits."""
    free_share: float | None
    """Share of the database's disk that is free, 0..1; None: there is no such disk."""
    undeliverable: int
    """Messages given up within the last day."""


def self_findings(condition: Condition, as_of: datetime) -> list[Finding]:
    """What is to be said about the program."""
    behind_s = 0.0 if condition.behind_since is None else (as_of - condition.behind_since).total_seconds()
    found = [
        Finding(
            kind="assessment_behind",
            measured_at=as_of,
            value=max(0.0, behind_s),
            unit="s",
            since=condition.behind_since,
            summary=f"Readings wait for their assessment; the oldest was due {behind_s / 60:.0f} min ago.",
            why="Alerts come late, or not at all, until it has caught up.",
            look_first="The program's log, then the load and memory of the machine.",
        ),
        Finding(
            kind="undeliverable",
            measured_at=as_of,
            value=float(condition.undeliverable),
            unit="messages",
            summary=f"{condition.undeliverable} messages of the last day could not be delivered and were given up.",
            why="Someone has not been told what they should know.",
            look_first="The list of undeliverable messages: which channel, which address, and what it answered.",
        ),
    ]
    if condition.free_share is not None:
        found.append(
            Finding(
                kind="disk_nearly_full",
                measured_at=as_of,
                value=condition.free_share,
                unit="1",
                summary=f"{100 * condition.free_share:.0f} % of the database's disk is free.",
                why="When it is full, readings can't be kept; the broker holds them only for a while.",
                look_first="Old backups and logs on that disk.",
            )
        )
    return found
