"""In and out: signing in by name and password, one-time links, and signing out."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.access import signing_in
from monitord.access.passwords import MIN_LENGTH
from monitord.access.signing_in import TooManyTriesError
from monitord.errors import AccessError
from monitord.store.access import people, sessions
from monitord.web.page_context import Web
from monitord.web.routes.forms import own_path, signed_in, signed_out
from monitord.web.visitor import visitor

Typed = Annotated[str, Form(max_length=400)]
Target = Annotated[str, Query(alias="next", max_length=2000)]


class SignInRoutes:
    """The door, each part a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/sign-in", self.door, response_class=HTMLResponse)
        router.add_api_route("/sign-in", self.sign_in, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/sign-out", self.sign_out, methods=["POST"])
        router.add_api_route("/set-up/{secret}", self.set_up, response_class=HTMLResponse)
        router.add_api_route("/set-up/{secret}", self.accept, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/enter/{secret}", self.enter)
        return router

    def door(self, target: Target = "/") -> Response:
        """The form; or on, for who is in already."""
        if visitor().signed_in:
            return RedirectResponse(own_path(target), status_code=303)
        return self._page("sign_in.html", target=own_path(target))

    def sign_in(
        self,
        request: Request,
        person: Typed = "",
        password: Typed = "",
        target: Annotated[str, Form(alias="next", max_length=2000)] = "/",
    ) -> Response:
        """Let someone in whose name and password fit."""
        address, device = visitor().address, request.headers.get("user-agent", "")
        try:
            secret = signing_in.sign_in(self._web.db, person, password, self._web.clock.now(), address, device)
        except AccessError as error:
            status = 429 if isinstance(error, TooManyTriesError) else 401
            words = f"{error.message}."
            return self._page("sign_in.html", status, target=own_path(target), person=person, wrong=words)
        return signed_in(request, secret, target)

    def sign_out(self, request: Request) -> Response:
        """End this session."""
        with self._web.db.write() as conn:
            if visitor().person is not None:
                sessions.end_session(conn, str(visitor().person), visitor().session, self._web.clock.now())
        return signed_out(request)

    def set_up(self, secret: str) -> Response:
        """The form that a one-time link opens; opening it does not use the link up."""
        try:
            with self._web.db.read() as conn:
                invited = signing_in.invited(conn, secret, self._web.clock.now())
        except AccessError as error:
            return self._web.error_page(403, f"{error.message}.")
        return self._page("set_up.html", invited=invited, min_length=MIN_LENGTH)

    def accept(
        self,
        request: Request,
        secret: str,
        person: Typed = "",
        name: Typed = "",
        password: Typed = "",
    ) -> Response:
        """Set the password, and come in."""
        now, device = self._web.clock.now(), request.headers.get("user-agent", "")
        try:
            opened = signing_in.accept(self._web.db, secret, person, name, password, now, visitor().address, device)
        except AccessError as error:
            return self._again(secret, person, name, f"{error.message}.")
        return signed_in(request, opened, "/")

    def _again(self, secret: str, person: str, name: str, wrong: str) -> Response:
        try:
            with self._web.db.read() as conn:
                invited = signing_in.invited(conn, secret, self._web.clock.now())
        except AccessError as error:
            return self._web.error_page(403, f"{error.message}.")
        return self._page(
            "set_up.html", 422, invited=invited, min_length=MIN_LENGTH, person=person, name=name, wrong=wrong
        )

    def enter(self, request: Request, secret: str) -> Response:
        """Come in by a link that works once; who is in already is in."""
        if visitor().signed_in:
            return RedirectResponse("/", status_code=303)
        try:
            with self._web.db.write() as conn:
                device = request.headers.get("user-agent", "")
                opened = signing_in.enter(conn, secret, self._web.clock.now(), visitor().address, device)
        except AccessError as error:
            return self._web.error_page(403, f"{error.message}.")
        return signed_in(request, opened, "/")

    def _page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        with self._web.db.read() as conn:
            first = people.owners(conn) == 0
            known = {"person": "", "name": "", "wrong": "", "first": first} | values
            return self._web.page(conn, template, self._web.clock.now(), status, **known)
