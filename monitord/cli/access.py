"""`monitord owner` and `monitord token`: the first owner's way in, and tokens of programs."""

from __future__ import annotations

from argparse import Namespace

from monitord.access import signing_in
from monitord.cli.common import database_of, out, settings_of, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import AccessError
from monitord.model.access import Scope
from monitord.store.access import audit, tokens

_COMMAND_LINE = "the command line"


def owner_link(parsed: Namespace) -> int:
    """Print a link by which someone becomes an owner."""
    with database_of(parsed) as database, database.write() as connection:
        secret = signing_in.owner_link(connection, SystemClock().now())
    web = settings_of(parsed).web
    host = f"[{web.host}]" if ":" in web.host else web.host
    scheme = "https" if web.certificate is not None else "http"
    base = (web.public_url or f"{scheme}://{host}:{web.port}").rstrip("/")
    out(f"{base}/set-up/{secret}")
    return 0


def add_token(parsed: Namespace) -> int:
    """Make a token and print it, once."""
    now, name = SystemClock().now(), signing_in.checked_name(parsed.name)
    with database_of(parsed) as database, database.write() as connection:
        token = tokens.add_token(connection, name, Scope(parsed.scope), _COMMAND_LINE, now)
        audit.record(connection, now, _COMMAND_LINE, "made a token", detail=f"{name}, {parsed.scope}")
    out(token)
    return 0


def revoke_token(parsed: Namespace) -> int:
    """Revoke a token."""
    now = SystemClock().now()
    with database_of(parsed) as database, database.write() as connection:
        if not tokens.end_token(connection, parsed.id, now):
            raise AccessError(f"there is no token {parsed.id} that stands", remedy="`monitord token list` shows them")
        audit.record(connection, now, _COMMAND_LINE, "revoked a token", detail=str(parsed.id))
    return 0


def list_tokens(parsed: Namespace) -> int:
    """List the tokens."""
    with database_of(parsed) as database, database.read() as connection:
        found = tokens.tokens(connection)
    show_table(
        ("id", "name", "scope", "made", "by", "last used", "revoked"),
        (
            (str(t.id), t.name, t.scope.value, show_time(t.made_at), t.made_by, show_time(t.used_at),
             show_time(t.ended_at))
            for t in found
        ),
    )  # fmt: skip
    return 0
