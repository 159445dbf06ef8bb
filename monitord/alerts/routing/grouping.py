"""Which news go to one person together, and when.

The first news of a job waits a moment for others; after a message the next one about that job keeps its distance.
When many jobs have news at one time, such as after a power cut, they come as one message.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitord.alerts.lifecycle.rules import severity_rank
from monitord.alerts.routing.deduplication import DeliveryVerdict
from monitord.model.alerts import Alert
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.messages import SEVERAL, NotificationReason


@dataclass(frozen=True)
class Piece:
    """One alert's news for one person."""

    alert: Alert
    news: NotificationReason
    since: datetime
    soon: bool
    reason: str

    @classmethod
    def of(cls, alert: Alert, verdict: DeliveryVerdict, as_of: datetime) -> Piece | None:
        """The piece that a verdict asks for, if any."""
        if verdict.news is None:
            return None
        return cls(alert, verdict.news, verdict.since or as_of, verdict.soon, verdict.reason)


@dataclass(frozen=True)
class Bundle:
    """News that go out as one message."""

    group: str
    """The job, or `*` for several."""
    pieces: tuple[Piece, ...]


@dataclass(frozen=True)
class Grouped:
    """What goes out to one person now, and when the rest may."""

    bundles: tuple[Bundle, ...]
    waiting: Mapping[str, datetime]
    """Job to the time at which its news may go."""


def group(pieces: Iterable[Piece], last: Mapping[str, datetime], settings: AlertSettings, as_of: datetime) -> Grouped:
    """Bundle one person's news.

    Parameters
    ----------
    last : job (or `*`) to the time of the newest message about it to this person; older ones than
        `group_interval_s` may be left out.
    """
    by_job: dict[str, list[Piece]] = {}
    for piece in sorted(pieces, key=_order):
        by_job.setdefault(piece.alert.job, []).append(piece)
    interval, wait = timedelta(seconds=settings.group_interval_s), timedelta(seconds=settings.group_wait_s)
    ready: list[str] = []
    waiting: dict[str, datetime] = {}
    only_waiting: list[str] = []
    for job, of_job in by_job.items():
        due = [piece for piece in of_job if not piece.soon]
        if not due:
            continue
        apart = max((last[key] + interval for key in (job, SEVERAL) if key in last), default=None)
        at = max(min(piece.since for piece in due) + wait, apart or as_of)
        if as_of >= at:
            ready.append(job)
        else:
            waiting[job] = at
            if apart is None or as_of >= apart:
                only_waiting.append(job)
    if ready and len(ready) + len(only_waiting) > settings.combine_jobs_over:
        together = [piece for job in sorted(ready + only_waiting) for piece in by_job[job]]
        rest = {job: at for job, at in waiting.items() if job not in only_waiting}
        return Grouped((Bundle(SEVERAL, tuple(together)),), rest)
    return Grouped(tuple(Bundle(job, tuple(by_job[job])) for job in sorted(ready)), waiting)


def _order(piece: Piece) -> tuple[bool, int, datetime, str]:
    over = piece.news in (NotificationReason.CLOSED, NotificationReason.MISSED)
    return over, -severity_rank(piece.alert.severity), piece.since, piece.alert.fingerprint
