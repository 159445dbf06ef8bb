"""The page on which it is decided whether a slab may take its covering, and its sign-offs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse

from monitord.errors import JobFileError, StoreError
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import Statement
from monitord.report.signing_off import Wish, sign_off
from monitord.store import signoffs
from monitord.text import readiness
from monitord.text.speaker import Speaker
from monitord.web.page_context import Web, job_url
from monitord.web.routes.alert_routes import checked, checked_name
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import english
from monitord.web.views.readiness_view import verdict_views
from monitord.web.visitor import visitor

Text = Annotated[str, Form()]


class ReadinessPages:
    """The page and what can be done on it."""

    def __init__(self, web: Web, criteria: CriteriaBook) -> None:
        self._web = web
        self._criteria = criteria

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/readiness", self.readiness, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/readiness/sign", self.sign, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/readiness/withdraw", self.withdraw, methods=["POST"])
        return router

    def readiness(self, job_id: str) -> HTMLResponse:
        """Every verdict of a job."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            times, speaker = LocalTimes(state.job.zone, now), Speaker(english(), state.job.zone, now, tied=True)
            verdicts = () if state.assessment is None else state.assessment.readiness
            made = signoffs.signoffs(conn, job_id)
            return self._web.page(
                conn,
                "readiness.html",
                now,
                state=state,
                t=times,
                verdicts=verdict_views(state.job, verdicts, made, self._criteria, speaker),
                cautions=readiness.CAUTIONS,
                confirm=readiness.CONFIRM,
            )

    def sign(
        self,
        job_id: str,
        element: Text = "",
        statement: Text = "",
        by: Text = "",
        role: Text = "",
        reading: Text = "",
        note: Text = "",
    ) -> RedirectResponse:
        """A named person confirms what is known now."""
        if statement not in tuple(Statement):
            raise HTTPException(422, "Sign as ready, or as seen.")
        wish = Wish(
            job=job_id,
            element=element,
            statement=Statement(statement),
            by=checked_name(by),
            role=checked(role)[:120],
            own_reading=checked(reading)[:200],
            note=checked(note),
        )
        try:
            sign_off(
                self._web.db, wish, self._web.clock.now(), self._criteria, self._web.settings.analysis, self._web.note
            )
        except JobFileError as error:
            raise HTTPException(422, error.message) from error
        return RedirectResponse(f"{job_url(job_id)}/readiness", status_code=303)

    def withdraw(self, job_id: str, number: Annotated[int, Form()] = 0, why: Text = "") -> RedirectResponse:
        """A sign-off is withdrawn, with a reason; it stays on record."""
        name, reason = visitor().name, checked(why)
        if not reason:
            raise HTTPException(422, "Say why: the reason stays on record.")
        with self._web.db.write() as conn:
            if number not in {made.id for made in signoffs.signoffs(conn, job_id)}:
                raise HTTPException(404, "There is no such sign-off.")
            try:
                signoffs.withdraw(conn, number, self._web.clock.now(), name, reason)
            except StoreError as error:
                raise HTTPException(409, error.message) from error
            self._web.note(conn, "withdrew a sign-off", job_id, f"{number}: {reason}")
        return RedirectResponse(f"{job_url(job_id)}/readiness", status_code=303)
