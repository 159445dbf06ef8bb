"""Whoever asks, and in which units they read, for the length of one request: set by the gate, read by all of web."""

from __future__ import annotations

from contextvars import ContextVar

from monitord.model.access import NOBODY, Visitor
from monitord.model.units import Units

_current: ContextVar[Visitor] = ContextVar("visitor", default=NOBODY)
_units: ContextVar[Units] = ContextVar("units", default=Units.METRIC)


def visitor() -> Visitor:
    """Whoever asks; nobody, outside of a request."""
    return _current.get()


def reader_units() -> Units:
    """The units that whoever asks reads; metric, outside of a request."""
    return _units.get()


def enter(who: Visitor, units: Units = Units.METRIC) -> None:
    """From here on this request is theirs: each request runs in a context of its own."""
    _current.set(who)
    _units.set(units)
