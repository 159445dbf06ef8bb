"""What the routes of forms share: where to go next, and answers with the cookie of a session."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import RedirectResponse

from monitord.access.signing_in import SESSION_LASTS
from monitord.web.middleware.gate import cookie, cookie_names


def own_path(path: str) -> str:
    """A path of this dashboard, from an address that may have been made elsewhere; `/` where it is another's."""
    parts = urlsplit(path)
    plain = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() and "\\" not in path
    return path if plain and not parts.scheme and not parts.netloc else "/"


def signed_in(request: Request, secret: str, target: str) -> RedirectResponse:
    """On to a page, with the cookie of a new session."""
    answer = RedirectResponse(own_path(target), status_code=303)
    name, scheme = cookie_names(request.scope["scheme"])[0], request.scope["scheme"]
    answer.headers.append("set-cookie", cookie(name, secret, scheme, int(SESSION_LASTS.total_seconds())))
    answer.headers["cache-control"] = "no-store"
    return answer


def signed_out(request: Request) -> RedirectResponse:
    """To the door, without a session."""
    answer = RedirectResponse("/sign-in", status_code=303)
    name, scheme = cookie_names(request.scope["scheme"])[0], request.scope["scheme"]
    answer.headers.append("set-cookie", cookie(name, "", scheme, 0))
    return answer
