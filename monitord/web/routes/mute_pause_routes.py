"""What a page can wish: not to be told for a while, or that a job raises nothing; and the end of either."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import RedirectResponse

from monitord.alerts import pausing, requests
from monitord.errors import MonitordError
from monitord.model.alerts import SYSTEM, Alert
from monitord.model.messages import Matcher, MatchLabel
from monitord.store import alerts as stored_alerts
from monitord.web.page_context import Web, job_url
from monitord.web.routes.alert_routes import Note, checked
from monitord.web.routes.typed import Episode
from monitord.web.views.alert_view import SPANS
from monitord.web.visitor import visitor

Word = Annotated[str, Form(max_length=200)]


class MutePauseRoutes:
    """The changes, each a method. The guard lets only forms of our own pages through to here."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes of the forms."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/alerts/{fingerprint}/{episode}/mute", self.mute_alert, methods=["POST"])
        router.add_api_route("/mutes", self.mute, methods=["POST"])
        router.add_api_route("/mutes/{mute_id}/end", self.end_mute, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/pause", self.pause, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/resume", self.resume, methods=["POST"])
        return router

    def mute_alert(
        self, fingerprint: str, episode: Episode, what: Word = "alert", span: Word = "", why: Note = ""
    ) -> RedirectResponse:
        """Mute one alert, or its place, or what is of its kind in the job."""
        with self._web.db.read() as conn:
            alert = stored_alerts.get_alert(conn, fingerprint, episode)
        if alert is None:
            raise HTTPException(404, "There is no such alert.")
        return self._mute(_matchers(alert, what), span, why)

    def mute(
        self, job: Word = "", location: Word = "", kind: Word = "", span: Word = "", why: Note = ""
    ) -> RedirectResponse:
        """Mute what fits everything that is named."""
        named = {MatchLabel.JOB: job, MatchLabel.LOCATION: location, MatchLabel.KIND: kind}
        matchers = [Matcher(label=label, pattern=pattern) for label, pattern in named.items() if pattern]
        if not matchers:
            raise HTTPException(422, "Say what is to be muted: a job, a location or a kind.")
        return self._mute(matchers, span, why)

    def _mute(self, matchers: list[Matcher], span: str, why: str) -> RedirectResponse:
        name, comment, now = visitor().name, checked(why), self._web.clock.now()
        if not comment:
            raise HTTPException(422, "Say why, so that others understand it.")
        if span not in SPANS:
            raise HTTPException(422, f"Say for how long: {', '.join(SPANS)}.")
        named = next((m.pattern for m in matchers if m.label is MatchLabel.JOB), "")
        if not (visitor().sees_all or visitor().may_see(named) or matchers[0].label is MatchLabel.FINGERPRINT):
            raise HTTPException(422, "Say which of your jobs is to be muted.")
        with self._web.db.write() as conn:
            try:
                requests.mute(conn, matchers, now, now + SPANS[span][1], name, comment, now)
            except MonitordError as error:
                raise HTTPException(422, f"{error.message}.") from error
            self._web.note(conn, "muted alerts", named or None, f"{_said(matchers)} for {span}: {comment}")
        return RedirectResponse("/alerts#mutes", status_code=303)

    def end_mute(self, mute_id: str) -> RedirectResponse:
        """End a mute now; what is still open under it is told."""
        with self._web.db.write() as conn:
            try:
                requests.end_mute(conn, mute_id, visitor().name, self._web.clock.now())
            except MonitordError as error:
                raise HTTPException(404, f"{error.message}.") from error
            self._web.note(conn, "ended a mute", None, mute_id)
        return RedirectResponse("/alerts#mutes", status_code=303)

    def pause(self, job_id: str, span: Word = "", why: Note = "") -> RedirectResponse:
        """Let a job raise nothing, for a time or until it is resumed."""
        name, comment, now = visitor().name, checked(why), self._web.clock.now()
        if not comment:
            raise HTTPException(422, "Say why: the job's alerts end with that word.")
        if span and span not in SPANS:
            raise HTTPException(422, f"Say for how long: {', '.join(SPANS)}, or nothing.")
        with self._web.db.write() as conn:
            state = self._web.job(conn, job_id, now)
            try:
                pausing.pause(conn, state.job.job, now + SPANS[span][1] if span else None, name, comment, now)
            except MonitordError as error:
                raise HTTPException(409, f"{error.message}.") from error
            self._web.note(conn, "paused a job's alerts", state.job.job, comment)
        return RedirectResponse(f"{job_url(job_id)}#plate", status_code=303)

    def resume(self, job_id: str) -> RedirectResponse:
        """Let a paused job raise alerts again."""
        now = self._web.clock.now()
        with self._web.db.write() as conn:
            state = self._web.job(conn, job_id, now)
            try:
                pausing.resume(conn, state.job.job, visitor().name, now)
            except MonitordError as error:
                raise HTTPException(409, f"{error.message}.") from error
            self._web.note(conn, "resumed a job's alerts", state.job.job)
        return RedirectResponse(f"{job_url(job_id)}#plate", status_code=303)


def _said(matchers: list[Matcher]) -> str:
    return ", ".join(f"{matcher.label.value} {matcher.pattern}" for matcher in matchers)


def _matchers(alert: Alert, what: str) -> list[Matcher]:
    """What a mute made at an alert covers.

    Raises
    ------
    HTTPException : 422, it has no such part.
    """
    job, kind = Matcher(label=MatchLabel.JOB, pattern=alert.job), Matcher(label=MatchLabel.KIND, pattern=alert.kind)
    if what == "alert":
        return [Matcher(label=MatchLabel.FINGERPRINT, pattern=alert.fingerprint)]
    if what == "place" and alert.location is not None:
        return [job, Matcher(label=MatchLabel.LOCATION, pattern=alert.location)]
    if what == "kind":
        return [job, kind]
    if what == "job" and alert.job != SYSTEM:
        return [job]
    raise HTTPException(422, "Say what is to be muted: the alert, its place, its kind or its job.")
