"""Whether the program is well, for a supervisor and for Prometheus."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping

from fastapi import APIRouter
from fastapi.responses import PlainTextResponse
from prometheus_client import CONTENT_TYPE_PLAIN_0_0_4, CollectorRegistry, Metric, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector
from sqlalchemy import Connection

from monitord import __version__
from monitord.errors import MonitordError
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.store import alerts as stored_alerts
from monitord.store import mirror, outbox, pending_jobs, quarantine
from monitord.store.last_seen import probes_seen
from monitord.store.maintenance.leases import count_living
from monitord.web.page_context import Web
from monitord.web.queries import JobState, load_jobs
from monitord.web.visitor import visitor

_FOLDER = ("127.0.0.1", "::1", "")

Samples = Iterable[tuple[Mapping[str, str], float]]


AssessMemory = Callable[[], tuple[int, int] | None]
"""Jobs whose hours are kept in memory, and jobs that find no room; None: this process does not assess."""


def no_memory() -> None:
    """For a process that does not assess."""


class Health:
    """Liveness, readiness, metrics."""

    def __init__(self, web: Web, health_problem: Callable[[], str | None], assess_memory: AssessMemory) -> None:
        self._web = web
        self._health_problem = health_problem
        self._assess_memory = assess_memory

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/healthz", self.alive, response_class=PlainTextResponse)
        router.add_api_route("/readyz", self.ready, response_class=PlainTextResponse)
        router.add_api_route("/metrics", self.metrics, response_class=PlainTextResponse)
        return router

    async def alive(self) -> PlainTextResponse:
        """The process answers."""
        return PlainTextResponse("alive\n")

    def ready(self) -> PlainTextResponse:
        """The database can be read, and readings are taken in, assessed and told of."""
        health_problem = self._health_problem()
        if health_problem is not None:
            why = f": {health_problem}" if _may_hear() else "; the log of monitord says why"
            return PlainTextResponse(f"not ready{why}\n", status_code=503)
        try:
            with self._web.db.read() as conn:
                pending_jobs.marked_jobs(conn)
                copy = mirror.state(conn)
        except MonitordError as error:
            why = f": {error.message}" if _may_hear() else "; the log of monitord says why"
            return PlainTextResponse(f"not ready{why}\n", status_code=503)
        # a copy that others keep is no reason to call this program ill, and is caught up on by itself
        trouble = copy.problem if copy is not None and copy.failing_since is not None else None
        if trouble is None:
            return PlainTextResponse("ready\n")
        return PlainTextResponse(f"ready; the mirror takes nothing{f': {trouble}' if _may_hear() else ''}\n")

    def metrics(self) -> PlainTextResponse:
        """What the pages show, as numbers (Prometheus text format 0.0.4)."""
        with self._web.db.read() as conn:
            registry = CollectorRegistry()
            registry.register(_Collected(list(self._families(conn))))
        return PlainTextResponse(generate_latest(registry), media_type=CONTENT_TYPE_PLAIN_0_0_4)

    def _families(self, conn: Connection) -> Iterator[Metric]:
        now, options = self._web.clock.now(), self._web.settings.analysis
        states = load_jobs(conn, now)
        running = [state for state in states if not state.ended]
        yield family("monitord_info", "Version of the program.", [({"version": __version__}, 1)])
        yield family("monitord_jobs", "Jobs that are not over.", [({}, len(running))])
        yield family(
            "monitord_job_last_reading_timestamp_seconds",
            "When any probe of a job last reported.",
            [({"job": s.job.job}, s.last_seen_at.timestamp()) for s in running if s.last_seen_at is not None],
        )
        yield family(
            "monitord_job_assessed_timestamp_seconds",
            "As of when a job was last assessed.",
            [({"job": s.job.job}, s.assessment.as_of.timestamp()) for s in running if s.assessment is not None],
        )
        yield family("monitord_job_probes", "Probes of a job, by whether they report.", list(_probes(running, options)))
        yield family("monitord_job_locations", "Locations of a job by state.", list(_locations(running)))
        open_by = Counter((a.job, a.severity.value, a.status.value) for a in stored_alerts.open_alerts(conn))
        yield family(
            "monitord_alerts_open",
            "Alerts that are open or acknowledged.",
            [({"job": j, "severity": v, "status": s}, n) for (j, v, s), n in sorted(open_by.items())],
        )
        yield family(
            "monitord_job_paused",
            "1 while a job raises no alerts since someone paused it.",
            [({"job": s.job.job}, float(s.pause is not None)) for s in running],
        )
        standing = {"waiting": len(outbox.waiting(conn)), "undeliverable": len(outbox.undeliverable(conn))}
        yield family(
            "monitord_messages",
            "Messages to people that are on their way, or were given up in the last months.",
            [({"state": state}, n) for state, n in standing.items()],
        )
        yield family(
            "monitord_quarantine_messages",
            "Payloads in quarantine, repeats counted.",
            [({"code": code}, n) for code, n in quarantine.count_held(conn).items()],
        )
        yield family(
            "monitord_jobs_waiting", "Jobs with unassessed readings.", [({}, len(pending_jobs.marked_jobs(conn)))]
        )
        yield family(
            "monitord_processes",
            "Processes that share the work, by role; absent where one does everything.",
            [({"role": role}, n) for role, n in count_living(conn).items()],
        )
        memory = self._assess_memory()
        if memory is not None:
            kept = zip(("yes", "no"), memory, strict=True)
            yield family(
                "monitord_assess_memory_jobs",
                "Jobs whose hours are kept between assessments, and those that find no room in assess.memory_mb.",
                [({"kept": word}, n) for word, n in kept],
            )
        copy = mirror.state(conn)
        if copy is not None:
            yield from _mirror(copy)
        received = [item.received_at for item in probes_seen(conn)]
        newest: list[tuple[dict[str, str], float]] = [({}, max(received).timestamp())] if received else []
        yield family("monitord_last_received_timestamp_seconds", "When anything live was last received.", newest)


def _may_hear() -> bool:
    """Reasons may name files and hosts: they are for people who signed in, and for this machine itself."""
    return visitor().signed_in or visitor().address in _FOLDER


def _probes(states: Iterable[JobState], options: AnalysisOptions) -> Iterator[tuple[dict[str, str], float]]:
    for state in states:
        reporting, all_of_them = state.count_reporting(options), len(state.placements_now)
        yield {"job": state.job.job, "reporting": "yes"}, reporting
        yield {"job": state.job.job, "reporting": "no"}, all_of_them - reporting


def _locations(states: Iterable[JobState]) -> Iterator[tuple[dict[str, str], float]]:
    for state in states:
        for word, n in sorted(Counter(location.state.value for location in state.locations).items()):
            yield {"job": state.job.job, "state": word}, n


def _mirror(copy: mirror.MirrorState) -> Iterator[Metric]:
    """How the copy to another database stands; absent where there is none."""
    failing = copy.failing_since
    yield family("monitord_mirror_up", "1 while the mirror takes what it is told.", [({}, float(failing is None))])
    due = [({"what": "hours"}, copy.due_hours), ({"what": "assessments"}, copy.due_assessments)]
    yield family("monitord_mirror_due", "What the mirror has not been told: hours of probes, assessments.", due)
    yield family("monitord_mirror_parked_lines", "Lines that the mirror refuses.", [({}, copy.parked)])


def family(name: str, text: str, samples: Samples) -> Metric:
    """One family of gauges."""
    gauges = GaugeMetricFamily(name, text)
    for labels, value in samples:
        gauges.add_sample(name, dict(labels), value)
    return gauges


class _Collected(Collector):
    """Families that were read from the store before the answer is written."""

    def __init__(self, families: list[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterable[Metric]:
        return self._families
