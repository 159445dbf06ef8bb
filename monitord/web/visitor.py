"""Whoever asks, and in which units they read, for the length of one request: set by the gate, read by all of web."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from monitord.model.access import NOBODY, Visitor
from monitord.model.units import Units

_current: ContextVar[Visitor | None] = ContextVar("visitor", default=NOBODY)
_units: ContextVar[Units] = ContextVar("units", default=Units.METRIC)


def visitor() -> Visitor:
    """Whoever asks; nobody, outside of a request.

    Raises
    ------
    RuntimeError : what is being made is for all.
    """
    who = _current.get()
    if who is None:
        raise RuntimeError("what is kept for all who may see it may not depend on who asks")
    return who


@contextmanager
def for_all() -> Iterator[None]:
    """What is made inside is kept for all who may see it: to ask who asks is an error."""
    before = _current.set(None)
    try:
        yield
    finally:
        _current.reset(before)


def reader_units() -> Units:
    """The units that whoever asks reads; metric, outside of a request."""
    return _units.get()


def enter(who: Visitor, units: Units = Units.METRIC) -> None:
    """From here on this request is theirs: each request runs in a context of its own."""
    _current.set(who)
    _units.set(units)
