"""The watcher is watched: findings about the program itself."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.facts import FindingKind, Truth

_AWAY = timedelta(hours=1)
"""How long a mirror may be away before someone is told: a restart there is no news (our choice)."""


@dataclass(frozen=True)
class Condition:
    """How the program stands as of a time."""

    behind_since: datetime | None
    """As of when the job was assessed that has waited longest; None: nothing waits."""
    free_share: float | None
    """Share of the database's disk that is free, 0..1; None: there is no such disk."""
    undeliverable: int
    """Messages given up within the last day."""
    mirror_failing_since: datetime | None = None
    """Since when the mirror takes nothing; None: it does, or there is none."""
    mirror_refused: bool = False
    """It said that it takes nothing until someone changes something."""


def self_findings(condition: Condition, as_of: datetime) -> list[Finding]:
    """What is to be said about the program."""
    behind_s = 0.0 if condition.behind_since is None else (as_of - condition.behind_since).total_seconds()
    found = [
        Finding(
            kind=FindingKind.ASSESSMENT_BEHIND,
            measured_at=as_of,
            value=max(0.0, behind_s),
            unit="s",
            since=condition.behind_since,
            facts=Facts(age_s=max(0.0, behind_s)),
        ),
        Finding(
            kind=FindingKind.UNDELIVERABLE,
            measured_at=as_of,
            value=float(condition.undeliverable),
            unit="messages",
            facts=Facts(count=condition.undeliverable),
        ),
        _mirror(condition, as_of),
    ]
    if condition.free_share is not None:
        found.append(
            Finding(
                kind=FindingKind.DISK_NEARLY_FULL,
                measured_at=as_of,
                value=condition.free_share,
                unit="1",
                facts=Facts(value=Quantity(value=100.0 * condition.free_share, unit="%")),
            )
        )
    return found


def _mirror(condition: Condition, as_of: datetime) -> Finding:
    since = condition.mirror_failing_since
    stopped = since is not None and (condition.mirror_refused or as_of - since >= _AWAY)
    return Finding(
        kind=FindingKind.MIRROR_STOPPED,
        measured_at=as_of,
        truth=Truth.of(stopped),
        readings=1,
        since=since,
        facts=Facts(since=since),
    )
