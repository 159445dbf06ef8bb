"""Sharing a job with its client: a read-only page in plain words behind a link that expires and can be revoked."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from monitord.access import client_links
from monitord.store import alerts as stored_alerts
from monitord.store.access import tokens
from monitord.web.page_context import Web, job_url
from monitord.web.queries import JobState
from monitord.web.text.local_time import LocalTimes
from monitord.web.views.client_view import client_view, day
from monitord.web.visitor import visitor

_DAYS = {"7": "a week", "30": "a month", "90": "three months"}


class ClientRoutes:
    """The client's page, and the page on which links are made and revoked."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/c/{token}", self.page, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/share", self.share, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/share", self.make, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/share/{link_id}/end", self.end, methods=["POST"])
        return router

    def page(self, token: str) -> HTMLResponse:
        """What the client sees; counted."""
        now = self._web.clock.now()
        with self._web.db.write() as conn:
            link_id = client_links.read(token, stored_alerts.link_secret(conn))
            link = None if link_id is None else tokens.get_client_link(conn, link_id)
            if link is None or link.over(now):
                status = 404 if link is None else 410
                return self._web.page(conn, "client.html", now, status, view=None, title="This link has ended")
            tokens.note_opened(conn, link.id, now)
            state = self._web.job(conn, link.job, now)
            times = LocalTimes(state.job.zone, now)
            as_of = state.assessment.as_of if state.assessment is not None else None
            return self._web.page(
                conn,
                "client.html",
                now,
                view=client_view(state, times),
                title=f"{state.job.label}: how the drying goes",
                as_of=times.clock(as_of) if as_of is not None else None,
                until=day(link.expires_at, times),
            )

    def share(self, job_id: str) -> HTMLResponse:
        """Links of a job."""
        now = self._web.clock.now()
        with self._web.db.write() as conn:  # the key of links is made at its first use
            state = self._web.job(conn, job_id, now)
            return self._page(conn, state)

    def _page(self, conn: Connection, state: JobState) -> HTMLResponse:
        now, secret = self._web.clock.now(), stored_alerts.link_secret(conn)
        base = (self._web.settings.web.public_url or "").rstrip("/")
        found = tokens.client_links(conn, state.job.job)
        return self._web.page(
            conn,
            "share.html",
            now,
            state=state,
            links=[(link, f"{base}/c/{client_links.sign(link.id, secret)}") for link in found],
            days=_DAYS,
            base=base,
            t=LocalTimes(state.job.zone, now),
        )

    def make(
        self,
        job_id: str,
        given_to: Annotated[str, Form(max_length=80)] = "",
        days: Annotated[str, Form(max_length=4)] = "30",
    ) -> RedirectResponse:
        """A new link."""
        now, name = self._web.clock.now(), " ".join(given_to.split())
        if days not in _DAYS:
            raise HTTPException(422, f"Say for how long: {', '.join(_DAYS)} days.")
        with self._web.db.write() as conn:
            state = self._web.job(conn, job_id, now)
            expires = now + timedelta(days=int(days))
            tokens.add_client_link(conn, state.job.job, name, visitor().name, now, expires)
            self._web.note(conn, "shared a job with a client", state.job.job, f"{name or 'no name'}, {days} days")
        return RedirectResponse(f"{job_url(job_id)}/share", status_code=303)

    def end(self, job_id: str, link_id: str) -> RedirectResponse:
        """Revoke a link; holds at once."""
        now = self._web.clock.now()
        with self._web.db.write() as conn:
            if not tokens.end_client_link(conn, job_id, link_id, now):
                raise HTTPException(404, "There is no such link, or it is revoked already.")
            self._web.note(conn, "revoked a client's link", job_id, link_id)
        return RedirectResponse(f"{job_url(job_id)}/share", status_code=303)
