"""The same as JSON, to be read by programs: read only, described at `/api/openapi.json`."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated

import numpy as np
from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import StreamingResponse
from sqlalchemy import Connection

from monitord.charts.decimate import buckets
from monitord.charts.parts import Trace
from monitord.model.alerts import SYSTEM
from monitord.model.jobs import JobFile
from monitord.model.series import HOUR_S, Series
from monitord.model.units import Units, size_in, unit_in, value_in
from monitord.store import alerts as stored_alerts
from monitord.store import quarantine
from monitord.store.last_seen import LastSeen, probes_seen
from monitord.store.quarantine import Held
from monitord.store.series.archived import need_readings
from monitord.store.series.readings import load_series
from monitord.text.formats import COVERAGE, decimals_of
from monitord.web import schemas
from monitord.web.charts.estimate_series import hourly
from monitord.web.charts.series import HOURLY, UNITS, Measure, Window
from monitord.web.charts.time_range import choose
from monitord.web.page_context import Web
from monitord.web.queries import JobState, load_jobs, seen_jobs, visible_probes
from monitord.web.routes.pages import From, Id, To, Written, as_utc, location_of
from monitord.web.views.job_list import needs_now
from monitord.web.views.job_view import lead
from monitord.web.views.probes_view import placement_of
from monitord.web.views.readings_table import csv_lines
from monitord.web.visitor import visitor

_MAX_TRACES = 12
_TRACE = {"items": {"type": "string", "pattern": f"^[^/+#:]+:({'|'.join(Measure)})$"}}
"""How a trace is named, for the description."""


class Api:
    """The JSON API, each route a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes of the API, and the CSV of a location."""
        router = APIRouter(tags=["monitord"], responses=schemas.problems(404, 422))
        router.add_api_route("/api/jobs", self.jobs, response_model=list[schemas.JobSummary])
        router.add_api_route("/api/jobs/{job_id}", self.job, response_model=schemas.JobDetail)
        router.add_api_route("/api/jobs/{job_id}/series", self.series, response_model=schemas.JobSeries)
        location = "/jobs/{job_id}/locations/{location_id}"
        router.add_api_route(f"/api{location}/readings", self.readings, response_model=schemas.ReadingsOut)
        router.add_api_route(
            f"{location}/readings.csv",
            self.csv,
            response_class=StreamingResponse,
            responses=schemas.problems(404, 422, media_type="text/html") | {200: {"content": {"text/csv": {}}}},
        )
        router.add_api_route("/api/alerts", self.alerts, response_model=schemas.AlertsOut)
        router.add_api_route("/api/probes", self.probes, response_model=schemas.ProbesOut)
        router.add_api_route("/api/quarantine", self.held, response_model=schemas.QuarantineOut)
        return router

    def jobs(self) -> list[schemas.JobSummary]:
        """All jobs, the ended ones too."""
        with self._web.db.read() as conn:
            return [self._summary(state) for state in load_jobs(conn, self._web.clock.now())]

    def job(self, job_id: str) -> schemas.JobDetail:
        """One job: its file, its latest assessment, its open alerts."""
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, self._web.clock.now())
        return schemas.JobDetail(
            summary=self._summary(state), job=state.job, assessment=state.assessment, alerts=tuple(state.alerts)
        )

    def series(
        self,
        job_id: str,
        trace: Annotated[list[str], Query(min_length=1, max_length=_MAX_TRACES, json_schema_extra=_TRACE)],
        start: From = None,
        end: To = None,
        maximum: Annotated[int, Query(ge=1, le=5000)] = 360,
        units: Units = Units.METRIC,
    ) -> schemas.JobSeries:
        """Quantities over a time. Each `trace` is `location:measure`; `maximum` is the largest number of buckets.

        A window of more than 7,000 readings of a probe goes by hourly medians, but for the last 500 readings; lowest
        and highest of temperature and relative humidity are those of all readings.
        """
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, self._web.clock.now())
            shown = choose(state.job, state.newest, "all", as_utc(start), as_utc(end))
            window = shown.start, shown.end
            traces = [self._trace(conn, state, name, window, maximum, units) for name in trace]
        return schemas.JobSeries(
            job=job_id,
            timezone=state.job.timezone,
            start=shown.start,
            end=shown.end,
            coverage=COVERAGE,
            traces=tuple(traces),
        )

    def readings(
        self,
        job_id: str,
        location_id: str,
        since: Annotated[Written | None, Query()] = None,
        limit: Annotated[int, Query(ge=1, le=10_000)] = 1000,
    ) -> schemas.ReadingsOut:
        """Raw readings of a location stamped at `since` or later, the oldest first."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            location = location_of(state, location_id)
            need_readings(conn, job_id)
            placements = state.job.placements_at(location.id)
            start, until = as_utc(since) or state.job.start, now + timedelta(days=1)
            found = [(placement.probe, load_series(conn, placement, start, until)) for placement in placements]
        rows = sorted(
            (_reading(probe, series, i) for probe, series in found for i in range(min(len(series), limit + 1))),
            key=lambda row: (row.time, row.probe),
        )
        # a page ends between two times, so that the next one can begin at a time
        end = next((i for i in range(limit, len(rows)) if rows[i].time != rows[i - 1].time), None)
        more = rows[end].time if end is not None else None
        return schemas.ReadingsOut(job=job_id, location=location_id, readings=tuple(rows[:end]), next_since=more)

    def csv(
        self, job_id: str, location_id: str, start: From = None, end: To = None, units: Units | None = None
    ) -> StreamingResponse:
        """The readings of a location as CSV: raw, calibrated, and what follows from them; units as the pages'."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            need_readings(conn, job_id)
        location = location_of(state, location_id)
        since, until = as_utc(start) or state.job.start, as_utc(end) or now + timedelta(days=1)
        return StreamingResponse(
            csv_lines(self._web.db, state.job, location, since, until, units or self._web.settings.web.units),
            media_type="text/csv; charset=utf-8",
            headers={"content-disposition": f'attachment; filename="{_file_name(job_id, location_id)}.csv"'},
        )

    def alerts(
        self, job: Id = None, closed: bool = False, limit: Annotated[int, Query(ge=1, le=1000)] = 200
    ) -> schemas.AlertsOut:
        """Open alerts; with `closed` every one that ever opened, the newest first."""
        with self._web.db.read() as conn:
            if job is not None and job != SYSTEM:
                if not visitor().may_see(job):
                    raise HTTPException(404, f"There is no job {job!r}.")
                self._web.job(conn, job, self._web.clock.now())
            if not closed:
                opened = stored_alerts.open_alerts(conn, job)
                return schemas.AlertsOut(alerts=tuple(alert for alert in opened if visitor().may_see(alert.job)))
            chosen = [job] if job is not None else [*(item.job for item in seen_jobs(conn)), SYSTEM]
            chosen = [name for name in chosen if visitor().may_see(name)]
            found = [alert for item in chosen for alert in stored_alerts.episodes(conn, item, limit)]
        found.sort(key=lambda alert: (-(alert.opened_at or alert.finding.measured_at).timestamp(), alert.fingerprint))
        return schemas.AlertsOut(alerts=tuple(found[:limit]))

    def probes(self) -> schemas.ProbesOut:
        """Every probe that was ever seen live, and where it stands."""
        with self._web.db.read() as conn:
            known = seen_jobs(conn)
            visible = visible_probes(probes_seen(conn), known)
        ordered = sorted(visible, key=lambda item: item.last_seen_at, reverse=True)
        return schemas.ProbesOut(probes=tuple(_probe(item, known) for item in ordered))

    def held(self, limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> schemas.QuarantineOut:
        """What could not be understood or believed, with the reason; nothing, for who does not see all jobs."""
        if not visitor().sees_all:
            return schemas.QuarantineOut(held=())
        with self._web.db.read() as conn:
            found = quarantine.list_held(conn, limit=limit)
        return schemas.QuarantineOut(held=tuple(_held(item) for item in found))

    def _summary(self, state: JobState) -> schemas.JobSummary:
        return schemas.JobSummary(
            job=state.job.job,
            name=state.job.label,
            timezone=state.job.timezone,
            start=state.job.start,
            end=state.job.end,
            as_of=state.assessment.as_of if state.assessment is not None else None,
            last_reading_at=state.last_seen_at,
            probes=len(state.placements_now),
            probes_reporting=state.count_reporting(self._web.settings.analysis),
            states=dict(Counter(location.state.value for location in state.locations)),
            open_alerts=dict(Counter(alert.severity.value for alert in state.alerts)),
            paused=f"{state.pause.author}: {state.pause.comment}" if state.pause is not None else None,
            summary=lead(state, needs_now(state, self._web.rules)),
        )

    def _trace(
        self,
        conn: Connection,
        state: JobState,
        name: str,
        window: tuple[datetime, datetime],
        maximum: int,
        units: Units,
    ) -> schemas.TraceSeries:
        start, end = window
        location_id, _, measured = name.rpartition(":")
        if measured not in Measure.__members__.values():
            raise HTTPException(422, f"{name!r} is not location:measure; measures are {', '.join(Measure)}.")
        location, measure = location_of(state, location_id), Measure(measured)
        if measure in HOURLY:
            time_s, value, u = hourly(self._web.figures.hours.estimates(conn, state, location), measure)
            step_s, ends = HOUR_S, None
        else:
            series = Window(conn, state.job, start, end, self._web.settings.analysis).series(location.id)
            time_s, (value, u), step_s = series.values.time_s, series.of(measure), series.interval_s
            ends = series.extremes(measure)
        unit = UNITS[measure]
        read = None if ends is None else (value_in(ends[0], unit, units), value_in(ends[1], unit, units))
        trace = Trace("", "", time_s, value_in(value, unit, units), size_in(u, unit, units), step_s, read)
        found = buckets(trace, start.timestamp(), end.timestamp(), maximum)
        inside = (found.time_s >= start.timestamp()) & (found.time_s <= end.timestamp())
        return schemas.TraceSeries(
            location=location.id,
            label=location.label,
            measure=measure,
            unit=unit_in(unit, units),
            decimals=decimals_of(unit_in(unit, units)),
            time_ms=tuple(int(t) for t in np.rint(1000.0 * found.time_s[inside])),
            low=tuple(found.low[inside].round(4).tolist()),
            high=tuple(found.high[inside].round(4).tolist()),
            mean=tuple(found.mean[inside].round(4).tolist()),
            u=tuple(
                None if np.isnan(uncertainty) else round(float(uncertainty), 4)
                for uncertainty in found.uncertainty[inside]
            ),
            count=tuple(found.count[inside].tolist()),
        )


def _reading(probe: str, series: Series, i: int) -> schemas.ReadingOut:
    surface, battery = float(series.surface_temperature_c[i]), float(series.battery_v[i])
    level = float(series.battery_pct[i])
    return schemas.ReadingOut(
        probe=probe,
        time=datetime.fromtimestamp(float(series.time_s[i]), UTC),
        temperature_c=float(series.temperature_c[i]),
        relative_humidity_pct=float(series.relative_humidity_pct[i]),
        surface_temperature_c=None if np.isnan(surface) else surface,
        battery_v=None if np.isnan(battery) else battery,
        battery_pct=None if np.isnan(level) else level,
    )


def _probe(item: LastSeen, known: Sequence[JobFile]) -> schemas.ProbeOut:
    job, placement = placement_of(item, known)
    return schemas.ProbeOut(
        probe=item.probe,
        last_reading_at=item.last_seen_at,
        temperature_c=item.temperature_c,
        relative_humidity_pct=item.relative_humidity_pct,
        battery_v=item.battery_v,
        battery_pct=item.battery_pct,
        rssi_dbm=item.rssi_dbm,
        gateway=item.gateway,
        job=job.job if job is not None else None,
        location=placement.location_id if placement is not None else None,
    )


def _held(item: Held) -> schemas.HeldOut:
    return schemas.HeldOut(
        id=item.id,
        topic=item.topic,
        code=item.code,
        reason=item.reason,
        payload_base64=base64.b64encode(item.payload).decode(),
        received_at=item.received_at,
        last_received_at=item.last_received_at,
        times=item.times,
    )


def _file_name(*parts: str) -> str:
    """A name that any file system takes."""
    return "".join(mark if mark.isascii() and (mark.isalnum() or mark in "-_.") else "_" for mark in "-".join(parts))
