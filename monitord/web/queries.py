"""What a page needs from the store, read in one transaction so that it shows one state."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Connection

from monitord.model.access import Visitor
from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment, LocationAssessment, State
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location, Placement
from monitord.model.messages import MatchLabel, Mute, Pause
from monitord.model.units import Units, read_in
from monitord.store import alerts as stored_alerts
from monitord.store import assessments, jobs, pauses
from monitord.store.last_seen import LastSeen, newest_seen, times_seen
from monitord.store.series.archived import Archived, all_archived, archived
from monitord.web.kept import Kept
from monitord.web.visitor import visitor


@dataclass(frozen=True)
class JobState:
    """A job as it stands."""

    job: JobFile
    assessment: JobAssessment | None
    alerts: Sequence[Alert]
    """Open and acknowledged ones, the oldest first."""
    last_seen: Mapping[str, datetime]
    """By probe: those of this job that ever reported live."""
    now: datetime
    pause: Pause | None = None
    """The pause that stands now, if one does."""
    archived: Archived | None = None
    """Where its raw readings lie; None: here."""

    @property
    def ended(self) -> bool:
        """Whether the job is over."""
        return self.job.end is not None and self.job.end <= self.now

    @property
    def placements_now(self) -> list[Placement]:
        """The probes that stand there now, or stood there when the job ended."""
        if self.ended:
            return [
                placement
                for placement in self.job.probes
                if placement.to_time is None or placement.to_time == self.job.end
            ]
        return [placement for placement in self.job.probes if placement.covers(self.now)]

    @property
    def locations(self) -> list[LocationAssessment]:
        """What was assessed of the locations that the job still has: its file may have changed since."""
        known = {location.id for location in self.job.locations}
        return [p for p in self.assessment.locations if p.location in known] if self.assessment is not None else []

    def goals_met(self, location: Location) -> bool | None:
        """Whether a location is at each of its goals, by probe and by spot readings; None: it has none."""
        if location.goal is None and location.spot_goal is None:
            return None
        assessed = self.assessment.at(location.id) if self.assessment is not None else None
        by_probe = location.goal is None or (assessed is not None and assessed.state is State.AT_GOAL)
        return by_probe and not self.job.awaits_spot_reading(location, self.now)

    def placement_last_seen_at(self, placement: Placement) -> datetime | None:
        """When a probe was last seen during a placement; None: not during this one."""
        newest = self.last_seen.get(placement.probe)
        if newest is None or newest < placement.from_time:
            return None
        return newest if placement.to_time is None else min(newest, placement.to_time)

    def location_last_seen_at(self, location_id: str) -> datetime | None:
        """When a location was last seen, by any probe that stands there now or by what was assessed."""
        times = [
            self.placement_last_seen_at(placement)
            for placement in self.placements_now
            if placement.location_id == location_id
        ]
        location = self.assessment.at(location_id) if self.assessment is not None else None
        times.append(location.last_reading_at if location is not None else None)
        return max((time for time in times if time is not None), default=None)

    @property
    def last_seen_at(self) -> datetime | None:
        """When anything of the job was last seen."""
        times = [self.placement_last_seen_at(placement) for placement in self.placements_now]
        times.append(self.assessment.last_reading_at if self.assessment is not None else None)
        return max((time for time in times if time is not None), default=None)

    def count_reporting(self, options: AnalysisOptions) -> int:
        """How many of the probes that stand there now are not silent, by the limits of the assessment."""
        return sum(self._is_reporting(placement, options) for placement in self.placements_now)

    def _is_reporting(self, placement: Placement, options: AnalysisOptions) -> bool:
        seen = self.placement_last_seen_at(placement)
        until = self.job.end if self.ended and self.job.end is not None else self.now
        limit = options.stale_after_intervals * max(placement.interval_s, options.silent_interval_floor_s)
        return seen is not None and (until - seen).total_seconds() <= limit

    @property
    def newest(self) -> datetime:
        """The newest time that anything here speaks of; pages show data up to it."""
        times = [self.assessment.as_of if self.assessment is not None else None, self.last_seen_at]
        return max((time for time in times if time is not None), default=self.now)


_READ: Kept[JobAssessment] = Kept(200)


def as_read(state: JobState, units: Units) -> JobState:
    """A job's state with every number of its assessment as a person reads it; programs are given SI."""
    assessment = state.assessment
    if assessment is None or units is Units.METRIC:
        return state
    read = _READ.of((state.job.job, units), (assessment,), lambda: read_in(assessment, units))
    return replace(state, assessment=read)


def load_job(conn: Connection, job_id: str, now: datetime) -> JobState | None:
    """A job as it stands; None where there is none."""
    job = jobs.get_job(conn, job_id)
    if job is None:
        return None
    pause, alerts = pauses.pause_of(conn, job_id, now), stored_alerts.open_alerts(conn, job_id)
    last_seen = times_seen(conn, (placement.probe for placement in job.probes))
    assessed = assessments.latest_assessment(conn, job_id)
    return _state(assessed, job, now, last_seen, pause, alerts, archived(conn, job_id))


def load_jobs(conn: Connection, now: datetime) -> list[JobState]:
    """All jobs that the visitor may see, as they stand, the ended ones too."""
    last_seen, paused = times_seen(conn), pauses.standing(conn, now)
    assessed = assessments.latest_assessments(conn)
    packs = {pack.job: pack for pack in all_archived(conn)}
    alerts: dict[str, list[Alert]] = defaultdict(list)
    for alert in stored_alerts.open_alerts(conn):
        alerts[alert.job].append(alert)
    return [
        _state(assessed.get(job.job), job, now, last_seen, paused.get(job.job), alerts[job.job], packs.get(job.job))
        for job in seen_jobs(conn)
    ]


def seen_jobs(conn: Connection) -> list[JobFile]:
    """All jobs that the visitor may see."""
    return [job for job in jobs.list_jobs(conn) if visitor().may_see(job.job)]


def visible_probes(probes: Iterable[LastSeen], known: Sequence[JobFile]) -> list[LastSeen]:
    """Of the probes that were seen, those that stand in a job the visitor may see; all, for who sees all jobs."""
    placed = {placement.probe for job in known for placement in job.probes}
    return [item for item in probes if visitor().sees_all or item.probe in placed]


def _state(
    assessed: JobAssessment | None,
    job: JobFile,
    now: datetime,
    last_seen: Mapping[str, datetime],
    pause: Pause | None,
    alerts: Sequence[Alert],
    pack: Archived | None,
) -> JobState:
    placed = {placement.probe for placement in job.probes}
    return JobState(
        job=job,
        assessment=assessed,
        alerts=alerts,
        last_seen={probe: last_seen[probe] for probe in placed if probe in last_seen},
        now=now,
        pause=pause,
        archived=pack,
    )


def newest_of(conn: Connection, states: Sequence[JobState]) -> tuple[datetime | None, datetime | None]:
    """When any probe was last seen, and as of when any job that is not over was last assessed."""
    assessed = [s.assessment.as_of for s in states if s.assessment is not None and not s.ended]
    return newest_seen(conn), max(assessed, default=None)


def sees_mute(conn: Connection, visitor: Visitor, mute: Mute | None) -> bool:
    """Whether a mute is of a job that a visitor may see, and of none else."""
    if mute is None or visitor.sees_all:
        return mute is not None
    for matcher in mute.matchers:
        if matcher.label is MatchLabel.JOB and visitor.may_see(matcher.pattern):
            return True
        if matcher.label is MatchLabel.FINGERPRINT:
            alert = stored_alerts.get_alert(conn, matcher.pattern, None)
            return alert is not None and visitor.may_see(alert.job)
    return False
