"""From what is known of a job to its alerts: the one place where assessment and alert engine meet.

The live daemon (`assess_pending`) and the replay (`ReplaySession`) go through the same `assess_job` and
`update_alerts`, so that what replay shows of the past is what the daemon would have said.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil
from typing import NamedTuple, Protocol

from sqlalchemy import Connection

from monitord.alerts.lifecycle.engine import StepResult, end_alerts, step
from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.lifecycle.transitions import retire
from monitord.alerts.requests import keep as keep_alerts
from monitord.alerts.system.calibration import calibrations_due
from monitord.analysis.air.outdoor_forecast import of_document
from monitord.analysis.assess import AssessmentCache, assess_job, damage_hour
from monitord.analysis.forecast.revisions import History, forecast_revisions, history_span
from monitord.analysis.readiness.signed_off import after_sign_off
from monitord.analysis.slabs.posterior.sleeve_runs import Budget, SleeveRuns
from monitord.clock import Clock
from monitord.errors import MonitordError, StoreError, TakenOverError
from monitord.model.alerts import Alert, Ending
from monitord.model.assessments import JobAssessment
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.settings import AssessSettings
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import SignOff
from monitord.model.series import JobRecord
from monitord.store import alerts as stored_alerts
from monitord.store import assessments, jobs, outdoor_forecasts, pauses, pending_jobs, signoffs
from monitord.store.db.database import Database
from monitord.store.db.times import hour_of, to_ms
from monitord.store.maintenance import leases
from monitord.store.maintenance.leases import Lease
from monitord.store.series import rollups
from monitord.store.series.kept_records import KeptRecord

_log = logging.getLogger(__name__)


def update_alerts(
    job: JobFile,
    alerts: Sequence[Alert],
    assessment: JobAssessment,
    rules: AlertRules,
    as_of: datetime,
    options: AnalysisOptions,
    history: History,
    signed: Sequence[SignOff] = (),
) -> StepResult:
    """Move a job's alerts on by an assessment, by the forecasts so far, and by what its file says of its probes.

    Those about what was taken away end with a word why. `history` holds what this assessment forecasts already;
    `signed` are the job's sign-offs.
    """
    due = calibrations_due(job, as_of, options.calibration_valid_d)
    findings = [*after_sign_off(assessment.findings, signed), *forecast_revisions(job, assessment, history), *due]
    gone = retire(job, alerts, as_of)
    ended = {alert.fingerprint for alert in gone.alerts}
    kept = [alert for alert in alerts if alert.fingerprint not in ended]
    result = step(rules, kept, findings, job.job, as_of)
    result.alerts.extend(gone.alerts)
    result.events.extend(gone.events)
    result.decisions.update(gone.decisions)
    return result


class ReplaySession:
    """One job's alerts in memory, moved on assessment by assessment: what replay has in place of the store."""

    def __init__(self, job: JobFile, rules: AlertRules, options: AnalysisOptions, alerts: Iterable[Alert] = ()) -> None:
        self._job = job
        self._rules = rules
        self._options = options
        self._alerts = {alert.fingerprint: alert for alert in alerts}
        self._cache = AssessmentCache()
        self._history = History()

    def step(self, record: JobRecord, as_of: datetime) -> tuple[JobAssessment, list[Alert]]:
        """Assess as of a time; returns the assessment and the alerts that changed."""
        assessment = assess_job(self._job, record, as_of, self._options, self._cache, compared=False)
        return assessment, self.take(assessment)

    def take(self, assessment: JobAssessment) -> list[Alert]:
        """Move on by the next assessment; returns the alerts that changed."""
        self._history.add(assessment)
        alerts = list(self._alerts.values())
        result = update_alerts(
            self._job, alerts, assessment, self._rules, assessment.as_of, self._options, self._history
        )
        self._alerts.update((alert.fingerprint, alert) for alert in result.alerts)
        return result.alerts


_CATCH_UP_D = 60
"""Days of sleeves' ensembles that one round may catch up on after a restart: some three seconds (our choice). [d]"""


_TOGETHER = 8
"""Jobs that are assessed as of one time. Our choice."""
_MIN_MB, _SPARE = 2.0, 1.2
"""A job's hours at least, those of 20 probes and 30 days [MB]; how much more is advised than they take (our choice)."""
_IN_USE = timedelta(minutes=10)
"""A job that was assessed within this time is assumed to be assessed again soon (our choice)."""


@dataclass
class _Kept:
    """What is saved of one job."""

    job: JobFile
    record: KeptRecord
    cache: AssessmentCache
    used_at: datetime

    @property
    def nbytes(self) -> int:
        return self.record.nbytes + self.cache.nbytes

    def forget_hours(self) -> None:
        self.record.forget()
        self.cache.forget_hours()


class AssessmentCaches:
    """What is saved between rounds, for each job; a job that was changed starts afresh.

    The hours of a job, which grow with its days, are kept as long as those of all jobs take no more than `memory_mb`;
    what was judged by them is kept always.
    """

    def __init__(self, memory_mb: int = AssessSettings().memory_mb) -> None:
        self._kept: dict[str, _Kept] = {}
        self._most_bytes, self._bytes = memory_mb * 2**20, dict[str, int]()
        self._budget = Budget()
        self._histories: dict[str, History] = {}
        self._fences: dict[str, int] = {}
        self._told = False
        self.without_room = 0
        """Jobs in use whose hours found no room, as of the last round."""

    @property
    def with_room(self) -> int:
        """Jobs whose hours are kept."""
        return len(self._bytes)

    @property
    def nbytes(self) -> int:
        """Bytes of the hours that are kept."""
        return sum(self._bytes.values())

    def of(self, conn: Connection, job: JobFile, as_of: datetime) -> tuple[KeptRecord, AssessmentCache]:
        """What is known of a job as it now is, and the memo of what rests on that.

        The ensembles of its sleeves come from the store where they are not at hand.
        """
        kept = self._kept.get(job.job)
        if kept is None or kept.job != job:
            sleeve_runs = SleeveRuns(assessments.checkpoints(conn, job.job)) if kept is None else kept.cache.sleeve_runs
            kept = self._kept[job.job] = _Kept(job, KeptRecord(), AssessmentCache(sleeve_runs), as_of)
        kept.cache.budget, kept.used_at = self._budget, as_of
        return kept.record, kept.cache

    def bound(self, job: str, now: datetime) -> None:
        """Forget hours where all take too much: those of jobs that are not in use any more, else of this job.

        To forget those that were used least lately would forget each job's just before it is assessed again.
        """
        self._bytes[job] = self._kept[job].nbytes
        if self.nbytes <= self._most_bytes:
            return
        unused = [name for name in self._bytes if now - self._kept[name].used_at > _IN_USE]
        for name in [*unused, job]:
            self._kept[name].forget_hours()
            del self._bytes[name]

    def begin_round(self) -> None:
        """Let this round catch up on `_CATCH_UP_D` days of sleeves, so that no restart holds up the alerts."""
        self._budget = Budget(_CATCH_UP_D)

    def end_round(self, now: datetime) -> None:
        """Count the jobs that found no room, and say so the first time."""
        in_use = [name for name, kept in self._kept.items() if now - kept.used_at <= _IN_USE]
        self.without_room = sum(name not in self._bytes for name in in_use)
        if not self.without_room or self._told:
            return
        self._told = True
        each = max(_MIN_MB, self.nbytes / 2**20 / max(1, self.with_room))
        _log.warning(
            "the hours of %d of %d jobs find no room in assess.memory_mb = %d, so each assessment of these takes five "
            "to ten times as long; write some %d, if the machine has that much (not told again)",
            self.without_room, len(in_use), self._most_bytes // 2**20, ceil(_SPARE * each * len(in_use)),
        )  # fmt: skip

    def history(self, conn: Connection, job: str, as_of: datetime) -> History:
        """The forecasts of a job that still count, from the store where they are not at hand."""
        if job not in self._histories:
            self._histories[job] = History(assessments.recent_forecasts(conn, job, as_of - history_span()))
        return self._histories[job]

    def forget_history(self, job: str) -> None:
        """What was taken in was not kept: the store is to be asked again."""
        self._histories.pop(job, None)

    def claimed(self, lease: Lease) -> None:
        """A job was claimed; where another process has had it since, the store holds newer things than are here."""
        if self._fences.get(lease.name) != lease.fence - 1:
            self.forget(lease.name)
        self._fences[lease.name] = lease.fence

    def forget_others(self, is_mine: Callable[[str], bool]) -> None:
        """Keep nothing of jobs that are another process's."""
        for job in [job for job in self._fences if not is_mine(job)]:
            self.forget(job)

    def forget(self, job: str) -> None:
        """Keep nothing of a job."""
        for known in (self._kept, self._bytes, self._histories, self._fences):
            known.pop(job, None)


class ClaimedJobs(NamedTuple):
    """Jobs to be assessed, as of a time after which nobody else commits anything of them."""

    as_of: datetime
    jobs: Sequence[tuple[str, int, Lease | None]]
    """Id, mark and lease of each; no lease where this process is the only one."""


class Claims(Protocol):
    """Where several processes assess: what of it is this one's."""

    def batches(self) -> Iterator[ClaimedJobs]:
        """The jobs that are marked and this process's, a few at a time."""
        ...

    def is_mine(self, job: str) -> bool:
        """Whether a job is this process's."""
        ...


@dataclass(frozen=True)
class RoundResult:
    """What one round of assessment did."""

    as_of: datetime
    assessed: tuple[str, ...]
    """Ids of the jobs that were assessed."""
    failed: tuple[str, ...]
    """Ids of the jobs that could not be; they stay marked, and the log says why."""


def assess_pending(
    db: Database,
    clock: Clock,
    rules: AlertRules,
    options: AnalysisOptions,
    caches: AssessmentCaches | None = None,
    moved: Callable[[], object] = lambda: None,
    criteria: CriteriaBook | None = None,
    claims: Claims | None = None,
) -> RoundResult:
    """Assess every job that is marked, each by itself, and move its alerts on.

    The marks of a few jobs are read before their time is taken: what a mark speaks of had arrived by then, so clearing
    the mark never hides a reading that the assessment did not see. `moved` is called after each job.
    `criteria` are the rules for readiness; None: those of the program. `claims`: the jobs are shared with other
    processes, and only those are assessed that are this one's; None: there is no other.
    """
    caches = caches or AssessmentCaches()
    began = clock.now()
    batches = claims.batches() if claims is not None else _all_marked(db, clock, moved)
    caches.begin_round()
    assessed, failed = [], []
    for batch in batches:
        began = max(began, batch.as_of)
        for job_id, mark, lease in batch.jobs:
            try:
                _run_job(db, job_id, mark, rules, options, caches, batch.as_of, clock, criteria, lease)
            except Exception as error:
                caches.forget_history(job_id)
                if isinstance(error, TakenOverError):
                    _log.warning("%s", error.message)
                    continue
                failed.append(job_id)
                if isinstance(error, MonitordError):
                    _log.error("job %s could not be assessed: %s", job_id, error.message)
                else:
                    _log.exception("job %s could not be assessed; the others go on", job_id)
            else:
                assessed.append(job_id)
            moved()
    if claims is not None:
        caches.forget_others(claims.is_mine)
    caches.end_round(began)
    return RoundResult(began, tuple(assessed), tuple(failed))


def _all_marked(db: Database, clock: Clock, moved: Callable[[], object]) -> Iterator[ClaimedJobs]:
    """The jobs that are marked now, a few at a time: what lands during a long round counts for the jobs behind it."""
    with db.read() as conn:
        waiting = [job for job, _ in pending_jobs.marked_jobs(conn)]
    renewed: int | None = None
    for start in range(0, max(1, len(waiting)), _TOGETHER):
        with db.read() as conn:
            marked = pending_jobs.marked_jobs(conn, waiting[start : start + _TOGETHER])
        as_of = clock.now()
        if renewed != (renewed := hour_of(to_ms(as_of))):
            renew_hours(db, as_of, moved)
        yield ClaimedJobs(as_of, [(job, mark, None) for job, mark in marked])


def renew_hours(db: Database, as_of: datetime, moved: Callable[[], object]) -> None:
    """Roll up what has landed since the last round; where that is refused, each job rolls up what it reads."""
    try:
        rollups.renew_all(db, to_ms(as_of), moved)
    except StoreError as error:
        _log.error("hourly roll-ups could not be kept: %s", error.message)


def mark_running(db: Database, clock: Clock) -> None:
    """Mark every job that is running, so that what depends on passing time alone, such as silence, is noticed."""
    now = clock.now()
    with db.write() as conn:
        for job in jobs.list_jobs(conn):
            if job.start <= now and (job.end is None or now < job.end):
                pending_jobs.mark_job(conn, job.job)


def _run_job(
    db: Database,
    job_id: str,
    mark: int,
    rules: AlertRules,
    options: AnalysisOptions,
    caches: AssessmentCaches,
    now: datetime,
    clock: Clock,
    criteria: CriteriaBook | None,
    lease: Lease | None,
) -> None:
    """Load, assess, move the alerts on, and keep all of it with the cleared mark in one commit.

    Whether the job is paused is asked as of the commit: a pause that came while the assessment ran holds for it too.

    Raises
    ------
    TakenOverError : another process has the job now; nothing was kept.
    """
    if lease is not None:
        caches.claimed(lease)
    with db.read() as conn:
        job = jobs.get_job(conn, job_id)
        if job is None:
            return
        ended = job.end is not None and job.end <= now
        as_of = job.end if ended and job.end is not None else now
        known, cache = caches.of(conn, job, now)
        record = known.load(conn, job, as_of)
        history = caches.history(conn, job_id, as_of)
        max_age = timedelta(hours=options.outdoor_forecast_max_age_h)
        issued = outdoor_forecasts.load(conn, job_id, damage_hour(as_of), max_age)
    weather = None if issued is None else of_document(issued)
    # outside of any transaction, so that readings go on landing
    assessment = assess_job(job, record, as_of, options, cache, outdoor_forecast=weather, criteria=criteria)
    new = history.add(assessment)
    with db.write(shared=lease is not None) as conn:
        if lease is not None and not leases.finish(conn, lease):
            raise TakenOverError(f"job {job_id} was taken over while it was assessed; what was found is dropped")
        alerts, pause = stored_alerts.current_alerts(conn, job_id), pauses.pause_of(conn, job_id, max(now, clock.now()))
        if ended:
            result = end_alerts(alerts, now, "the job was closed")
        elif pause is not None:
            result = end_alerts(alerts, now, pause.reason, Ending.PAUSED, pause.author, for_a_while=True)
        else:
            signed = signoffs.signoffs(conn, job_id)
            result = update_alerts(job, alerts, assessment, rules, as_of, options, history, signed)
        keep_alerts(conn, result)
        assessments.save_assessment(conn, assessment)
        if ended:
            assessments.forget_checkpoints(conn, job_id)
        else:
            for location, checkpoint in cache.sleeve_runs.take_unstored().items():
                assessments.keep_checkpoint(conn, job_id, location, checkpoint)
        for location, forecast in new:
            assessments.add_forecasts(conn, job_id, location, forecast)
        if not cache.pending:  # else the next round goes on with it
            pending_jobs.clear_mark(conn, job_id, mark)
    caches.bound(job_id, now)
    for event in result.events:
        _log.info("job %s: alert %s %s: %s", job_id, event.fingerprint[:8], event.event, event.detail)
