"""The gate: finds out who asks, and lets through what they may ask for. What no rule names is the owner's.

A person is known by the cookie of a session, a program by a token in `Authorization: Bearer` (RFC 6750). Every form
also carries a word that only our own pages know, beside the check of where it was sent from.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import dataclass
from urllib.parse import parse_qs, quote

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitord.errors import MonitordError
from monitord.model.access import NOBODY, Visitor
from monitord.store import alerts as stored_alerts
from monitord.store import mutes as stored_mutes
from monitord.store.access import sessions, tokens
from monitord.store.access.digests import new_secret
from monitord.web.middleware.policy import Rule, methods_of, rule_for
from monitord.web.page_context import Web
from monitord.web.queries import sees_mute
from monitord.web.visitor import enter

FORM_FIELD, FORM_HEADER = "form_token", "x-form-token"
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_NEEDS_NOBODY = ("/static/", "/healthz", "/c/")
"""Answered alike whoever asks, so that who asks is not looked up; the store may be what is not well."""
_TOO_OLD = "This form is too old: load its page again, then send it."
_FORM = "application/x-www-form-urlencoded"
_WITH_FILES = re.compile(r'multipart/form-data; *boundary="?([0-9A-Za-z\'()+_,./:=?-]{1,70})"?', re.IGNORECASE)
"""A form that carries files, and what stands between its parts (RFC 7578, RFC 2046 5.1.1)."""
_HEAD_BYTES = 4096
"""The word is the first part of a form with files, so that it is looked at before the files come. [bytes]"""


def cookie_names(scheme: str) -> tuple[str, str]:
    """Names of the cookies of a session and of a form that nobody has signed in for.

    Over https the prefix `__Host-` binds them to this very host (RFC 6265bis, 4.1.3).
    """
    prefix = "__Host-" if scheme == "https" else ""
    return f"{prefix}monitord", f"{prefix}monitord-form"


def cookie(name: str, value: str, scheme: str, max_age_s: int | None) -> str:
    """A Set-Cookie line: not for scripts, not for requests from other sites but by following a link."""
    secure = "; Secure" if scheme == "https" else ""
    kept = f"; Max-Age={max_age_s}" if max_age_s is not None else ""
    return f"{name}={value}; Path=/; HttpOnly; SameSite=Lax{secure}{kept}"


def form_token(secret: str) -> str:
    """The word in the forms of who holds a cookie."""
    return hmac.new(secret.encode(), b"monitord form", hashlib.sha256).hexdigest()[:40]


@dataclass(frozen=True)
class _Known:
    """What the gate has found out about a request."""

    visitor: Visitor
    rule: Rule
    hidden: bool
    """It names a job that the visitor may not see."""
    fresh_cookie: str = ""


class Gate:
    """ASGI middleware: who asks, and may they."""

    def __init__(self, app: ASGIApp, web: Web) -> None:
        self._app = app
        self._web = web

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through in the name of who asks, or say why not."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        try:
            known = await run_in_threadpool(self._look, scope, headers)
        except MonitordError as error:
            await self._web.error_page(503, error.message)(scope, receive, send)
            return
        enter(known.visitor, self._web.settings.web.units)
        refusal = self._refusal(scope, known)
        if refusal is None and scope["method"] not in _SAFE and known.visitor.scope is None:
            receive, fits = await _form_fits(headers, receive, known.visitor.form_token)
            refusal = None if fits else self._say(scope, 403, _TOO_OLD)
        if refusal is not None:
            await refusal(scope, receive, send)
            return

        async def with_cookie(message: Message) -> None:
            if known.fresh_cookie and message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                if answer.get("content-type", "").startswith("text/html"):
                    answer.append("set-cookie", known.fresh_cookie)
            await send(message)

        await self._app(scope, receive, with_cookie)

    # --- who asks -------------------------------------------------------------------------------------------------

    def _look(self, scope: Scope, headers: Headers) -> _Known:
        """Who asks, what the route takes, and whether it names what is hidden from them. Reads the store."""
        rule, named = rule_for(scope["method"], scope["path"])
        if scope["path"].startswith(_NEEDS_NOBODY):
            return _Known(NOBODY, rule, hidden=False)
        address = str(scope["client"][0]) if scope.get("client") else ""
        session_name, form_name = cookie_names(scope["scheme"])
        cookies = cookie_parser(headers.get("cookie", ""))
        bearer = headers.get("authorization", "").partition(" ")
        if bearer[0].lower() == "bearer":
            return _Known(self._program(bearer[2].strip(), address), rule, hidden=False)
        secret = cookies.get(session_name, "")
        if secret:
            person = self._person(secret, address)
            if person is not None:
                return _Known(person, rule, self._hidden(person, named))
        form_secret = cookies.get(form_name, "")
        fresh = "" if form_secret else new_secret()
        nobody = Visitor(form_token=form_token(form_secret or fresh), address=address)
        line = cookie(form_name, fresh, scope["scheme"], None) if fresh else ""
        return _Known(nobody, rule, hidden=False, fresh_cookie=line)

    def _person(self, secret: str, address: str) -> Visitor | None:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            found = sessions.find_session(conn, secret, now)
        if found is None:
            return None
        session, person = found
        if now - session.seen_at >= sessions.SEEN_EVERY:
            with self._web.db.write() as conn:
                sessions.note_seen(conn, session.digest, now)
        return Visitor(
            name=person.name,
            person=person.person,
            role=person.role,
            jobs=person.jobs,
            session=session.digest,
            form_token=form_token(secret),
            address=address,
        )

    def _program(self, token: str, address: str) -> Visitor:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            found = tokens.find_token(conn, token)
        if found is None:
            return NOBODY
        if found.used_at is None or now - found.used_at >= sessions.SEEN_EVERY:
            with self._web.db.write() as conn:
                tokens.note_used(conn, found.id, now)
        return Visitor(name=found.name, scope=found.scope, jobs=None, address=address)

    def _hidden(self, visitor: Visitor, named: dict[str, str]) -> bool:
        if visitor.sees_all:
            return False
        if "job_id" in named:
            return not visitor.may_see(named["job_id"])
        with self._web.db.read() as conn:
            if "fingerprint" in named:
                return not visitor.may_see(_job_of_alert(conn, named))
            if "mute_id" in named:
                return not sees_mute(conn, visitor, stored_mutes.get_mute(conn, named["mute_id"]))
        return False

    # --- may they -------------------------------------------------------------------------------------------------

    def _refusal(self, scope: Scope, known: _Known) -> Response | None:
        """The answer to a request that may not go on; None where it may."""
        if known.rule.admits(known.visitor):
            return self._say(scope, 404, "There is no such page.") if known.hidden else None
        if known.visitor.role is None and known.visitor.scope is None:
            return self._sign_in_first(scope)
        methods = methods_of(scope["path"])
        if methods and known.rule.method not in methods:
            refused = self._say(scope, 405, "This address can't be asked in that way.")
            refused.headers["allow"] = ", ".join(methods)
            return refused
        return self._say(scope, 403, "Your access does not cover this; an owner can change that.")

    def _sign_in_first(self, scope: Scope) -> Response:
        path: str = scope["path"]
        if path.startswith("/api/") or path == "/metrics":
            return JSONResponse(
                {"detail": "Sign in, or send a token of the right scope as Authorization: Bearer."},
                401,
                {"www-authenticate": 'Bearer realm="monitord"'},
            )
        if scope["method"] not in _SAFE:
            return self._say(scope, 401, "You are signed out: sign in, then send this again.")
        query = scope["query_string"].decode("latin-1")
        back = path + (f"?{query}" if query else "")
        return RedirectResponse(f"/sign-in?next={quote(back, safe='')}", 303, {"cache-control": "no-store"})

    def _say(self, scope: Scope, status: int, words: str) -> Response:
        if scope["path"].startswith("/api/"):
            return JSONResponse({"detail": words}, status)
        return self._web.error_page(status, words)


def _job_of_alert(conn: Connection, named: dict[str, str]) -> str:
    episode = named.get("episode", "")
    number = int(episode) if episode.isascii() and episode.isdecimal() and len(episode) < 10 else 0
    alert = stored_alerts.get_alert(conn, named["fingerprint"], number)
    return alert.job if alert is not None else ""


async def _form_fits(headers: Headers, receive: Receive, token: str) -> tuple[Receive, bool]:
    """Whether a form carries the right word, in a header or a field; its body can be read once more.

    The origin check has bounded the length of the body before. Of a form with files only the beginning is read here.
    """
    given = headers.get(FORM_HEADER, "")
    if given:
        return receive, bool(token) and hmac.compare_digest(given.encode(), token.encode())
    kind = headers.get("content-type", "")
    boundary = _WITH_FILES.fullmatch(kind)
    if boundary is None and not kind.startswith(_FORM):
        return receive, False
    parts: list[bytes] = []
    more = True
    while more and not (boundary is not None and sum(map(len, parts)) >= _HEAD_BYTES):
        message = await receive()
        if message["type"] != "http.request":
            return receive, False
        parts.append(message.get("body", b""))
        more = message.get("more_body", False)
    body = b"".join(parts)
    word = _first_part(body, boundary[1]) if boundary is not None else _field(body)
    begun = False

    async def again() -> Message:
        nonlocal begun
        if begun:
            return await receive()
        begun = True
        return {"type": "http.request", "body": body, "more_body": more}

    return again, bool(token) and hmac.compare_digest(word.encode(), token.encode())


def _field(body: bytes) -> str:
    fields = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=1000)
    return fields.get(FORM_FIELD, [""])[0]


def _first_part(body: bytes, boundary: str) -> str:
    """The word of a form with files: the value of its first part, if that is the word's."""
    line = re.escape(boundary)
    head = rf'--{line}\r\ncontent-disposition: form-data; name="{FORM_FIELD}"\r\n\r\n([0-9a-f]{{1,80}})\r\n--{line}'
    found = re.match(head.encode(), body, re.IGNORECASE)
    return found[1].decode() if found is not None else ""
