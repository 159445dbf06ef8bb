"""What a page can change: take an alert on, or do what a message's link offers."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from monitord.alerts import requests
from monitord.alerts.messages.signed_links import LinkError, Purpose
from monitord.model.alerts import SYSTEM
from monitord.store import alerts as stored_alerts
from monitord.store import jobs
from monitord.web.page_context import Web, job_url, utc_times
from monitord.web.routes.typed import Episode
from monitord.web.views.alert_view import alert_views, times_of
from monitord.web.visitor import visitor

_MAX_NAME, _MAX_NOTE = 80, 500
Note = Annotated[str, Form()]


class AlertRoutes:
    """The changes, each a method. The guard lets only forms of our own pages through to here."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes of the forms."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/alerts/{fingerprint}/{episode}/seen", self.seen, methods=["POST"])
        router.add_api_route("/link/{purpose}/{token}", self.style, response_class=HTMLResponse)
        router.add_api_route("/link/{purpose}/{token}", self.follow, methods=["POST"], response_class=HTMLResponse)
        return router

    def seen(self, fingerprint: str, episode: Episode, note: Note = "") -> RedirectResponse:
        """Someone has seen an alert and takes it on: reminders stop, its closing is still told."""
        name = visitor().name
        with self._web.db.write() as conn:
            alert = stored_alerts.get_alert(conn, fingerprint, episode)
            if alert is None:
                raise HTTPException(404, "There is no such alert.")
            requests.acknowledge_alert(conn, fingerprint, episode, name, checked(note), self._web.clock.now())
            self._web.note(conn, "acknowledged an alert", alert.job, alert.kind)
        where = "/alerts" if alert.job == SYSTEM else job_url(alert.job)
        return RedirectResponse(f"{where}#alerts", status_code=303)

    def style(self, purpose: Purpose, token: str) -> HTMLResponse:
        """What a link of a message would do; nothing is done before the click."""
        with self._web.db.write() as conn:  # the key of links is made at its first use
            try:
                view = requests.look_at_link(conn, token, purpose, self._web.clock.now())
            except LinkError as error:
                raise HTTPException(403, f"{error.message}.") from error
            return self._page(conn, purpose, view, done=False)

    def follow(self, purpose: Purpose, token: str, note: Note = "") -> HTMLResponse:
        """Do it, in the name of the person that the message was sent to."""
        now, settings = self._web.clock.now(), self._web.settings.alerts
        with self._web.db.write() as conn:
            try:
                view = requests.follow_link(conn, token, purpose, checked(note), now, settings)
            except LinkError as error:
                raise HTTPException(403, f"{error.message}.") from error
            return self._page(conn, purpose, view, done=True)

    def _page(self, conn: Connection, purpose: Purpose, view: requests.LinkView, *, done: bool) -> HTMLResponse:
        now = self._web.clock.now()
        known = {job.job: job for job in jobs.list_jobs(conn)}
        person = self._web.settings.alerts.person(view.link.person)
        return self._web.page(
            conn,
            "link.html",
            now,
            purpose=purpose.value,
            alerts=alert_views(
                view.alerts,
                known,
                times_of(view.alerts, known, now),
                self._web.rules,
                person.units if person is not None else self._web.settings.web.units,
            ),
            person=(person.name or person.id) if person is not None else view.link.person,
            mute_until=view.mute_until,
            done=done,
            t=utc_times(now),
        )


def checked_name(by: str) -> str:
    """A person's name as it was typed, its spaces tidied.

    Raises
    ------
    HTTPException : 422, it is none.
    """
    name = " ".join(by.split())
    if not name or len(name) > _MAX_NAME or not name.isprintable():
        raise HTTPException(422, f"Give your name, in at most {_MAX_NAME} letters.")
    return name


def checked(note: str) -> str:
    """A note as it was typed, without the spaces around it.

    Raises
    ------
    HTTPException : 422, it is too long.
    """
    words = note.strip()
    if len(words) > _MAX_NOTE:
        raise HTTPException(422, f"A note has at most {_MAX_NOTE} letters.")
    return words
