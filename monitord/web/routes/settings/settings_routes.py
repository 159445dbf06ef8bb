"""Settings: one's own password and sessions; for owners people, tokens of programs, and the record of changes."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.access import signing_in
from monitord.access.passwords import MIN_LENGTH
from monitord.errors import AccessError
from monitord.model.access import Role, Scope
from monitord.store import jobs as stored_jobs
from monitord.store.access import audit, people, sessions, tokens
from monitord.web.page_context import Web, utc_times
from monitord.web.visitor import visitor

Typed = Annotated[str, Form(max_length=400)]
_PEOPLE = "/settings/people"
_MAX_CHANGES = 300


class SettingsRoutes:
    """The pages and their forms, each a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/settings", self.settings, response_class=HTMLResponse)
        router.add_api_route("/settings/password", self.password, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/settings/sessions/{digest}/end", self.end_session, methods=["POST"])
        router.add_api_route(_PEOPLE, self.people, response_class=HTMLResponse)
        router.add_api_route(_PEOPLE, self.add_person, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route(_PEOPLE + "/{person}", self.change_person, methods=["POST"])
        router.add_api_route(_PEOPLE + "/{person}/invite", self.invite, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route(_PEOPLE + "/{person}/end", self.end_person, methods=["POST"])
        router.add_api_route("/settings/tokens", self.add_token, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/settings/tokens/{token_id}/end", self.end_token, methods=["POST"])
        router.add_api_route("/settings/changes", self.changes, response_class=HTMLResponse)
        return router

    # --- one's own ------------------------------------------------------------------------------------------------

    def settings(self) -> HTMLResponse:
        """One's own password and sessions."""
        return self._own()

    def password(self, old: Typed = "", new: Typed = "") -> Response:
        """Change one's own password; other sessions end."""
        who = visitor()
        try:
            signing_in.change_password(self._web.db, str(who.person), old, new, self._web.clock.now(), who.session)
        except AccessError as error:
            return self._own(422, wrong=f"{error.message}.")
        return RedirectResponse("/settings?changed", status_code=303)

    def _own(self, status: int = 200, **values: Any) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            own = sessions.sessions_of(conn, str(visitor().person), now)
            known = {"sessions": own, "t": utc_times(now), "min_length": MIN_LENGTH, "wrong": ""} | values
            return self._web.page(conn, "settings.html", now, status, **known)

    def end_session(self, digest: str) -> RedirectResponse:
        """End one of one's own sessions."""
        with self._web.db.write() as conn:
            if not sessions.end_session(conn, str(visitor().person), digest, self._web.clock.now()):
                raise HTTPException(404, "There is no such session of yours.")
            self._web.note(conn, "ended a session of their own")
        return RedirectResponse("/settings#sessions", status_code=303)

    # --- people ---------------------------------------------------------------------------------------------------

    def people(self) -> HTMLResponse:
        """Everybody, and the tokens of programs."""
        return self._people()

    def _people(self, status: int = 200, **values: Any) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            known = {
                "people": people.people(conn),
                "tokens": tokens.tokens(conn),
                "jobs": stored_jobs.list_jobs(conn),
                "t": utc_times(now),
                "wrong": "",
                "made": None,
                "typed": {},
            } | values
            return self._web.page(conn, "people.html", now, status, **known)

    def add_person(
        self,
        person: Typed = "",
        name: Typed = "",
        role: Role = Form(Role.TECHNICIAN),  # noqa: B008  (FastAPI reads it as a declaration)
        jobs: Annotated[list[str] | None, Form()] = None,
        all_jobs: Annotated[str, Form()] = "",
    ) -> HTMLResponse:
        """Let someone in; shows the link by which they set their password, once."""
        now = self._web.clock.now()
        try:
            who, called = signing_in.person_id(person), signing_in.checked_name(name)
            with self._web.db.write() as conn:
                people.add_person(conn, who, called, role, _chosen(jobs, all_jobs), now)
                secret = signing_in.invitation(conn, who, now)
                self._web.note(conn, "let someone in", None, f"{called} as {role.value}")
        except AccessError as error:
            return self._people(422, wrong=f"{error.message}.", typed={"person": person, "name": name})
        return self._people(made={"who": called, "link": self._link(f"/set-up/{secret}")})

    def change_person(
        self,
        person: str,
        role: Role = Form(),  # noqa: B008
        jobs: Annotated[list[str] | None, Form()] = None,
        all_jobs: Annotated[str, Form()] = "",
    ) -> Response:
        """Another role, or other jobs."""
        try:
            with self._web.db.write() as conn:
                changed = people.change_person(conn, person, role, _chosen(jobs, all_jobs))
                seen = "all jobs" if changed.jobs is None else ", ".join(sorted(changed.jobs)) or "no jobs"
                self._web.note(conn, "changed someone's access", None, f"{changed.name}: {role.value}, {seen}")
        except AccessError as error:
            return self._people(422, wrong=f"{error.message}.")
        return RedirectResponse(_PEOPLE, status_code=303)

    def invite(self, person: str) -> HTMLResponse:
        """A link by which someone sets a new password."""
        now = self._web.clock.now()
        with self._web.db.write() as conn:
            known = people.get_person(conn, person)
            if known is None:
                raise HTTPException(404, "There is nobody of that name.")
            secret = signing_in.invitation(conn, person, now)
            self._web.note(conn, "made a link to set a password", None, known.name)
        return self._people(made={"who": known.name, "link": self._link(f"/set-up/{secret}")})

    def end_person(self, person: str) -> Response:
        """End someone's access and their sessions."""
        try:
            with self._web.db.write() as conn:
                people.end_person(conn, person, self._web.clock.now())
                self._web.note(conn, "ended someone's access", None, person)
        except AccessError as error:
            return self._people(422, wrong=f"{error.message}.")
        return RedirectResponse(_PEOPLE, status_code=303)

    # --- tokens and the record ------------------------------------------------------------------------------------

    def add_token(self, name: Typed = "", scope: Scope = Form()) -> HTMLResponse:  # noqa: B008
        """A program's token, shown once."""
        try:
            called = signing_in.checked_name(name)
        except AccessError as error:
            return self._people(422, wrong=f"{error.message}.")
        with self._web.db.write() as conn:
            token = tokens.add_token(conn, called, scope, visitor().name, self._web.clock.now())
            self._web.note(conn, "made a token", None, f"{called}, {scope.value}")
        return self._people(made={"who": called, "token": token})

    def end_token(self, token_id: int) -> RedirectResponse:
        """Revoke a token."""
        with self._web.db.write() as conn:
            if not tokens.end_token(conn, token_id, self._web.clock.now()):
                raise HTTPException(404, "There is no such token, or it is revoked already.")
            self._web.note(conn, "revoked a token", None, str(token_id))
        return RedirectResponse(f"{_PEOPLE}#tokens", status_code=303)

    def changes(self) -> HTMLResponse:
        """Who changed what."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            found = audit.entries(conn, limit=_MAX_CHANGES)
            return self._web.page(conn, "changes.html", now, entries=found, t=utc_times(now))

    def _link(self, path: str) -> str:
        return f"{(self._web.settings.web.public_url or '').rstrip('/')}{path}"


def _chosen(jobs: list[str] | None, all_jobs: str) -> frozenset[str] | None:
    return None if all_jobs else frozenset(jobs or ())
