"""The pages about alerts: all of them with mutes and what could not be delivered, and one with its whole history."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.routing.mutes import covers
from monitord.model.alerts import SYSTEM, Alert, AlertEvent
from monitord.model.jobs import JobFile
from monitord.model.messages import MatchLabel, Mute
from monitord.model.units import Units
from monitord.store import alerts as stored_alerts
from monitord.store.mutes import mutes
from monitord.web.page_context import Web, utc_times
from monitord.web.queries import load_jobs, newest_of, sees_mute
from monitord.web.routes.typed import Episode
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import alert_kinds
from monitord.web.views.alert_view import AlertView, MuteView, Tier, alert_views, closed_views, mute_views, times_of
from monitord.web.views.delivery_view import Deliveries, messages_about, undelivered
from monitord.web.views.needs import Need, need_of
from monitord.web.visitor import visitor

_MAX_SHOWN = 30
"""Of each group of open alerts, unless all are asked for. Our choice: what somebody reads through on a phone."""
_MAX_CLOSED = 100
_MAX_UNDELIVERED = 100

Id = Annotated[str | None, Query(max_length=128)]


@dataclass(frozen=True)
class EventRow:
    """One step of an alert's life."""

    at: datetime
    what: str
    detail: str


@dataclass(frozen=True)
class OpenGroup:
    """Open alerts that are as urgent as each other."""

    total: int
    n_easing: int
    needs: list[Need]
    """The most pressing ones, each as a need."""


class AlertPages:
    """The pages, each a method; all read one state of the database and write nothing."""

    def __init__(self, web: Web) -> None:
        self._web = web
        self._units = web.settings.web.units

    def router(self) -> APIRouter:
        """The routes of the pages."""
        router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
        router.add_api_route("/alerts", self.alerts)
        router.add_api_route("/alerts/{fingerprint}/{episode}", self.alert)
        return router

    def alerts(self, job: Id = None, every: Annotated[bool, Query(alias="all")] = False) -> HTMLResponse:
        """Open alerts, mutes, what could not be delivered, and alerts that have closed."""
        now, settings, rules = self._web.clock.now(), self._web.settings.alerts, self._web.rules
        with self._web.db.read() as conn:
            states = load_jobs(conn, now)
            known = {state.job.job: state.job for state in states}
            if job is not None and job not in known:
                raise HTTPException(404, f"There is no job {job!r}.")
            chosen = {job} if job is not None else {*known, *([SYSTEM] if visitor().sees_all else [])}
            past = stored_alerts.latest_closed(conn, _MAX_CLOSED, chosen)
            still = [alert for alert in stored_alerts.open_alerts(conn, job) if alert.job in chosen]
            times = times_of([*past, *still], known, now)
            opened = alert_views(still, known, times, rules, self._units)
            told = [view for view in opened if not view.inhibited_why]
            deliveries, muting = Deliveries(conn, settings, now), _seen(conn, mutes(conn, ending_after=now))

            def group(views: Iterable[AlertView]) -> OpenGroup:
                found = list(views)
                shown = found if every else found[:_MAX_SHOWN]
                needs = [need_of(_with_deliveries(view, deliveries)) for view in shown]
                return OpenGroup(len(found), sum(view.easing for view in found), needs)

            return self._web.page(
                conn,
                "alerts.html",
                now,
                job=known[job] if job is not None else None,
                pause=next((state.pause for state in states if state.job.job == job), None),
                today=group(view for view in told if view.tier is Tier.TODAY),
                week=group(view for view in told if view.tier is Tier.WEEK),
                notes=group(view for view in told if view.tier is Tier.NOTE),
                inhibited=group(view for view in opened if view.inhibited_why),
                open_count=len(opened),
                every=f"/alerts?{urlencode({'all': '1'} | ({'job': job} if job is not None else {}))}",
                closed=closed_views(past, known, times, rules, self._units),
                mutes=mute_views(muting, _muted_singly(conn, muting), known, now),
                undelivered=undelivered(conn, settings, _MAX_UNDELIVERED) if job is None and visitor().sees_all else [],
                jobs=[state.job for state in states if not state.ended],
                kinds=list(alert_kinds().items()),
                newest=newest_of(conn, states),
                t=LocalTimes(known[job].zone, now) if job is not None else utc_times(now),
            )

    def alert(self, fingerprint: str, episode: Episode) -> HTMLResponse:
        """One episode: what it is, who was told, who was not and why, and everything that happened to it."""
        now, settings = self._web.clock.now(), self._web.settings.alerts
        with self._web.db.read() as conn:
            found = stored_alerts.get_alert(conn, fingerprint, episode)
            if found is None or found.opened_at is None:
                raise HTTPException(404, "There is no such alert.")
            job = next((s.job for s in load_jobs(conn, now) if s.job.job == found.job), None)
            view = _view_of(found, job, now, self._web.rules, self._units)
            return self._web.page(
                conn,
                "alert.html",
                now,
                alert=view,
                people=Deliveries(conn, settings, now).people(fingerprint, episode),
                anyone=bool(settings.people),
                messages=messages_about(conn, settings, fingerprint, episode),
                events=_events(conn, found),
                mutes=_mutes_over(conn, found, job, now),
                t=view.times,
            )


def _view_of(alert: Alert, job: JobFile | None, now: datetime, rules: AlertRules, units: Units) -> AlertView:
    jobs = {alert.job: job} if job is not None else {}
    times = {alert.job: LocalTimes(job.zone if job is not None else UTC, now)}
    (view,) = alert_views([alert], jobs, times, rules, units)
    return view


def _with_deliveries(view: AlertView, deliveries: Deliveries) -> AlertView:
    told, again_at = deliveries.in_short(view.fingerprint, view.episode)
    return replace(view, told=told, again_at=again_at)


def _mutes_over(conn: Connection, alert: Alert, job: JobFile | None, now: datetime) -> list[MuteView]:
    over = [mute for mute in _seen(conn, mutes(conn, ending_after=now)) if covers(mute, alert)]
    return mute_views(over, [alert], {alert.job: job} if job is not None else {}, now)


def _muted_singly(conn: Connection, found: Iterable[Mute]) -> list[Alert]:
    """The alerts that mutes name one by one."""
    named = {one.pattern for mute in found for one in mute.matchers if one.label is MatchLabel.FINGERPRINT}
    return [alert for one in sorted(named) if (alert := stored_alerts.get_alert(conn, one)) is not None]


def _seen(conn: Connection, found: list[Mute]) -> list[Mute]:
    return [mute for mute in found if sees_mute(conn, visitor(), mute)]


def _events(conn: Connection, alert: Alert) -> list[EventRow]:
    mine = [e for e in stored_alerts.events(conn, fingerprint=alert.fingerprint) if e.episode == alert.episode]
    return [_event(event) for event in mine]


def _event(event: AlertEvent) -> EventRow:
    words = event.event.replace("_", " ")
    return EventRow(event.at, f"{words[:1].upper()}{words[1:]}", event.detail)
