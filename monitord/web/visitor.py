"""Whoever asks, for the length of one request: set by the gate, read by pages, queries and templates."""

from __future__ import annotations

from contextvars import ContextVar

from monitord.model.access import NOBODY, Visitor

_current: ContextVar[Visitor] = ContextVar("visitor", default=NOBODY)


def visitor() -> Visitor:
    """Whoever asks; nobody, outside of a request."""
    return _current.get()


def enter(who: Visitor) -> None:
    """From here on this request is theirs: each request runs in a context of its own."""
    _current.set(who)
