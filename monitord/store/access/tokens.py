"""Tokens of programs, and links of clients."""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from monitord.model.access import ApiToken, ClientLink, Scope
from monitord.store.access.digests import digest_of, new_secret
from monitord.store.db.access_tables import api_token, client_link
from monitord.store.db.times import from_ms, to_ms

PREFIX = "mnd_"
"""Begins every token, so that one that has leaked into a file is recognised."""
_t, _c = api_token.c, client_link.c


def add_token(conn: Connection, name: str, scope: Scope, made_by: str, at: datetime) -> str:
    """A new token; returned once, and only its digest is kept."""
    token = PREFIX + new_secret()
    row = {"digest": digest_of(token), "name": name, "scope": scope.value, "made_by": made_by, "made_ms": to_ms(at)}
    conn.execute(insert(api_token), row)
    return token


def find_token(conn: Connection, token: str) -> ApiToken | None:
    """The token, if it stands."""
    row = conn.execute(select(api_token).where(_t.digest == digest_of(token), _t.ended_ms.is_(None))).first()
    return None if row is None else _token(row)


def note_used(conn: Connection, token_id: int, at: datetime) -> None:
    """A token was used."""
    conn.execute(update(api_token).where(_t.id == token_id).values(used_ms=to_ms(at)))


def tokens(conn: Connection) -> list[ApiToken]:
    """All tokens, the newest first, those that were ended too."""
    return [_token(row) for row in conn.execute(select(api_token).order_by(_t.id.desc()))]


def end_token(conn: Connection, token_id: int, at: datetime) -> bool:
    """Revoke a token; whether there was one that stood."""
    ended = update(api_token).where(_t.id == token_id, _t.ended_ms.is_(None))
    return conn.execute(ended.values(ended_ms=to_ms(at))).rowcount == 1


def _token(row: Any) -> ApiToken:
    used, ended = (None if ms is None else from_ms(ms) for ms in (row.used_ms, row.ended_ms))
    return ApiToken(row.id, row.name, Scope(row.scope), row.made_by, from_ms(row.made_ms), used, ended)


# --- links of clients -----------------------------------------------------------------------------------------


def add_client_link(
    conn: Connection, job: str, given_to: str, made_by: str, at: datetime, expires_at: datetime
) -> ClientLink:
    """A new link to a job."""
    made = ClientLink(secrets.token_hex(8), job, given_to, made_by, at, expires_at, None, 0, None)
    times = {"made_ms": to_ms(at), "expires_ms": to_ms(expires_at)}
    row = {"id": made.id, "job": job, "given_to": given_to, "made_by": made_by, "opened": 0}
    conn.execute(insert(client_link), row | times)
    return made


def get_client_link(conn: Connection, link_id: str) -> ClientLink | None:
    """A link by its id, also one that is over."""
    row = conn.execute(select(client_link).where(_c.id == link_id)).first()
    return None if row is None else _client_link(row)


def client_links(conn: Connection, job: str) -> list[ClientLink]:
    """All links of a job, the newest first."""
    chosen = select(client_link).where(_c.job == job).order_by(_c.made_ms.desc(), _c.id)
    return [_client_link(row) for row in conn.execute(chosen)]


def note_opened(conn: Connection, link_id: str, at: datetime) -> None:
    """The page of a link was loaded once more."""
    opened = update(client_link).where(_c.id == link_id)
    conn.execute(opened.values(opened=client_link.c.opened + 1, opened_ms=to_ms(at)))


def end_client_link(conn: Connection, job: str, link_id: str, at: datetime) -> bool:
    """Revoke a link of a job; whether there was one that was not revoked yet."""
    ended = update(client_link).where(_c.id == link_id, _c.job == job, _c.ended_ms.is_(None))
    return conn.execute(ended.values(ended_ms=to_ms(at))).rowcount == 1


def _client_link(row: Any) -> ClientLink:
    ended, opened = (None if ms is None else from_ms(ms) for ms in (row.ended_ms, row.opened_ms))
    made, expires = from_ms(row.made_ms), from_ms(row.expires_ms)
    return ClientLink(row.id, row.job, row.given_to, row.made_by, made, expires, ended, row.opened, opened)
