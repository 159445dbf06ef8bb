"""The pages that people see."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import HTMLResponse
from pydantic import BeforeValidator
from sqlalchemy import Connection

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.model.alerts import SYSTEM
from monitord.model.jobs import Location
from monitord.model.units import Units
from monitord.store import alerts as stored_alerts
from monitord.store import notes, quarantine
from monitord.store.assessments import recent_forecasts
from monitord.store.last_seen import probes_seen, unplaced
from monitord.text import glossary
from monitord.web.charts.figure_parts import Figure
from monitord.web.charts.figures import scene_of
from monitord.web.charts.time_range import Shown, choose
from monitord.web.page_context import Web, job_url, location_url, utc_times
from monitord.web.queries import JobState, as_read, load_jobs, newest_of, visible_probes
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import english, spelled
from monitord.web.views import damage_view, job_list, job_sections, job_view, reasons_view
from monitord.web.views.alert_view import AlertView, alert_views
from monitord.web.views.controls import controls_of
from monitord.web.views.equipment_view import equipment_said
from monitord.web.views.location_view import location_view
from monitord.web.views.needs import need_of, needs_of
from monitord.web.views.probes_view import by_job, held_rows, probe_rows
from monitord.web.views.readings_table import readings_page
from monitord.web.visitor import visitor

_MAX_HELD = 100
_FORECASTS_KEPT = timedelta(days=21)

Id = Annotated[str | None, Query(max_length=128)]
SpanName = Annotated[str | None, Query(alias="span", max_length=8)]


def _no_number(value: object) -> object:
    """A number would be taken for seconds since 1970, which nobody means by one in an address."""
    if isinstance(value, str) and value.replace(".", "", 1).lstrip("+-").isdigit():
        raise ValueError("write a time such as 2026-11-04T09:00:00Z")
    return value


Written = Annotated[datetime, BeforeValidator(_no_number)]
From = Annotated[Written | None, Query(alias="from")]
To = Annotated[Written | None, Query(alias="to")]
"""Two times; one without an offset counts as UTC."""


class Pages:
    """The pages, each a method; all read one state of the database and write nothing."""

    def __init__(self, web: Web) -> None:
        self._web = web
        self._options = web.settings.analysis
        self._units = web.settings.web.units

    def router(self) -> APIRouter:
        """The routes of the pages."""
        router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
        router.add_api_route("/", self.jobs)
        router.add_api_route("/jobs/{job_id}", self.job)
        router.add_api_route("/jobs/{job_id}/locations/{location_id}", self.location)
        router.add_api_route("/probes", self.probes)
        router.add_api_route("/glossary", self.glossary)
        return router

    def glossary(self) -> HTMLResponse:
        """What each word means, one anchor for each."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            entries = glossary.entries(english())
            return self._web.page(
                conn, "glossary.html", now, t=utc_times(now), title=spelled(glossary.TITLE), entries=entries
            )

    def jobs(
        self, q: Annotated[str, Query(max_length=100)] = "", show: Annotated[job_list.Show, Query()] = job_list.Show.ALL
    ) -> HTMLResponse:
        """All jobs, or those that a search and a filter leave."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            own = stored_alerts.open_alerts(conn, SYSTEM) if visitor().sees_all else []
            system = alert_views(own, {}, {SYSTEM: utc_times(now)}, self._web.rules, self._units)
            states = load_jobs(conn, now)
            rows = job_list.job_rows(states, self._web.rules, self._units)
            sought = job_list.found(rows, q)
            left = [row for row in sought if row.shown(show, now)]
            return self._web.page(
                conn,
                "jobs.html",
                now,
                rows=left,
                total=len(rows),
                n_today=sum(row.first is not None for row in rows),
                chips=job_list.chips_of(sought, show, q, now),
                show=show.value,
                query=q,
                narrowed=bool(q) or show is not job_list.Show.ALL,
                quiet_said=job_list.quiet_said(left),
                alerts=system,
                newest=newest_of(conn, states),
                t=utc_times(now),
            )

    def job(
        self, job_id: str, loc: Id = None, span: SpanName = None, start: From = None, end: To = None
    ) -> HTMLResponse:
        """One job."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = as_read(self._web.job(conn, job_id, now), self._units)
            times, shown = LocalTimes(state.job.zone, now), _shown(state, span, start, end)
            views = [location_view(state, location, times, self._units) for location in state.job.locations]
            alerts = _alerts_of(state, times, self._web.rules, self._units)
            needs, empty = needs_of(state, alerts, views), state.last_seen_at is None
            focus = None if empty else job_view.focus_of(state, views, loc)
            chosen, surfaces = {"loc": loc} if loc is not None else {}, job_view.surface_rows(state)
            surface = state.job.location(surfaces[0].location) if surfaces else None
            tiles, folded = job_sections.tiles_of(job_view.worst_first(views))
            pairs, ventilation = (
                job_view.compare_rows(state, times),
                job_sections.ventilation_rows(state, times),
            )
            noted = notes.notes_of(conn, job_id)
            return self._web.page(
                conn,
                "job.html",
                now,
                state=state,
                t=times,
                needs=needs,
                lead=job_view.page_lead(state, needs),
                empty=empty,
                day=job_view.day_words(state, times),
                reporting_count=state.count_reporting(self._options),
                locations=job_view.worst_first(views),
                shown_tiles=tiles,
                folded_tiles=folded,
                tally=job_sections.tally,
                focus=focus,
                asked=loc is not None or span is not None or start is not None,
                figures=self._figures(conn, state, focus, shown, times, surface) if focus else [],
                controls=controls_of(shown, lambda query: job_url(job_id, chosen | query)),
                shown=shown,
                compared=[pair for pair in pairs if not pair.depth],
                depths=[pair for pair in pairs if pair.depth],
                ways_said=job_sections.ways_said(pairs),
                surfaces=surfaces,
                surfaces_said=job_sections.surfaces_said(surfaces) if surfaces else "",
                ventilation=ventilation,
                ventilation_said=job_sections.ventilation_said(ventilation) if ventilation else "",
                readiness=job_sections.readiness_said(state, times),
                equipment_said=equipment_said(state.job, now, self._units),
                notes=noted,
                plan=job_sections.plan_view(state.job.plan, (one for note in noted for one in note.photos), views),
                timeline=job_sections.timeline(state.job, stored_alerts.episodes(conn, job_id), now),
            )

    def location(
        self,
        job_id: str,
        location_id: str,
        span: SpanName = None,
        start: From = None,
        end: To = None,
        before: Annotated[Written | None, Query()] = None,
    ) -> HTMLResponse:
        """One location of a job, with its readings."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = as_read(self._web.job(conn, job_id, now), self._units)
            location = location_of(state, location_id)
            times, shown = LocalTimes(state.job.zone, now), _shown(state, span, start, end)
            assessed = state.assessment.at(location.id) if state.assessment is not None else None
            return self._web.page(
                conn,
                "location.html",
                now,
                state=state,
                t=times,
                location=location,
                view=location_view(state, location, times, self._units),
                assessed=assessed,
                flags=damage_view.flag_rows(assessed, times),
                needs=[
                    need_of(alert)
                    for alert in _alerts_of(state, times, self._web.rules, self._units)
                    if alert.location == location.id
                ],
                why=reasons_view.reasons(assessed, times) if assessed is not None else [],
                rule=reasons_view.rule_of(assessed) if assessed is not None else "",
                forecasts=_forecasts(conn, state, location, times),
                asked=span is not None or start is not None,
                figures=self._location_figures(conn, state, location, shown, times),
                controls=controls_of(shown, lambda query: location_url(job_id, location_id, query)),
                shown=shown,
                compared=job_view.compare_rows(state, times, location.id),
                surfaces=job_view.surface_rows(state, location.id),
                damage=damage_view.damage_said(state, location, assessed, times),
                spot_goal=damage_view.spot_goal_row(state.job, location, now),
                spots=damage_view.spot_rows(state.job, location, self._units),
                notes=[note for note in notes.notes_of(conn, job_id) if note.location == location.id],
                placements=state.job.placements_at(location.id),
                readings=readings_page(
                    conn, state, location, assessed, as_utc(before), times, self._web.settings.web.units
                ),
            )

    def _figures(
        self,
        conn: Connection,
        state: JobState,
        location: Location,
        shown: Shown,
        times: LocalTimes,
        surface: Location | None,
    ) -> list[Figure]:
        scene = scene_of(conn, state, location, shown, times, self._options, self._units)
        return self._web.figures.of_readings(conn, scene, location, surface)

    def _location_figures(
        self, conn: Connection, state: JobState, location: Location, shown: Shown, times: LocalTimes
    ) -> list[Figure]:
        """What was read, then what is estimated from it."""
        scene, figures = scene_of(conn, state, location, shown, times, self._options, self._units), self._web.figures
        return [
            *figures.of_readings(conn, scene, location),
            *figures.of_air(conn, scene, location),
            *figures.of_estimates(conn, scene, state, location),
        ]

    def probes(self) -> HTMLResponse:
        """Probes seen but not placed, all probes seen, and what could not be understood."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            states = load_jobs(conn, now)
            known = [state.job for state in states]
            seen, open_house = visible_probes(probes_seen(conn), known), visitor().sees_all or visitor().may_work
            rows = probe_rows(seen, known, self._units)
            return self._web.page(
                conn,
                "probes.html",
                now,
                loose=probe_rows(unplaced(conn), known, self._units) if open_house else [],
                probes=rows,
                groups=by_job(rows, known),
                newest=newest_of(conn, states),
                held=held_rows(quarantine.list_held(conn, limit=_MAX_HELD)) if visitor().sees_all else [],
                held_total=sum(quarantine.count_held(conn).values()) if visitor().sees_all else 0,
                t=utc_times(now),
            )


def location_of(state: JobState, location_id: str) -> Location:
    """A location of a job.

    Raises
    ------
    HTTPException : 404, the job has no such location.
    """
    try:
        return state.job.location(location_id)
    except KeyError:
        raise HTTPException(404, f"Job {state.job.job!r} has no location {location_id!r}.") from None


def _forecasts(conn: Connection, state: JobState, location: Location, times: LocalTimes) -> list[tuple[str, str]]:
    """Day by day, the last forecast made on it and what it said, the newest first."""
    made = recent_forecasts(conn, state.job.job, state.now - _FORECASTS_KEPT).get(location.id, [])
    by_day = {times.day(one.made_at): reasons_view.forecast_words(one, times) for one in made}
    return list(by_day.items())[::-1]


def as_utc(time: datetime | None) -> datetime | None:
    """A time from an address; one without an offset counts as UTC."""
    if time is None:
        return None
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def _alerts_of(state: JobState, times: LocalTimes, rules: AlertRules, units: Units) -> list[AlertView]:
    return alert_views(state.alerts, {state.job.job: state.job}, {state.job.job: times}, rules, units)


def _shown(state: JobState, span: str | None, start: datetime | None, end: datetime | None) -> Shown:
    return choose(state.job, state.newest, span, as_utc(start), as_utc(end))
