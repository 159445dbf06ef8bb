"""The parts of the work that a process may take on."""

from __future__ import annotations

from enum import StrEnum


class DaemonRole(StrEnum):
    """One part of the daemon's work."""

    INGEST = "ingest"
    """Readings from the broker into the store."""
    ASSESS = "assess"
    """Readings to assessments and alerts; and what is done from time to time: roll-ups, tidying, the mirror."""
    WEB = "web"
    """The dashboard."""
    NOTIFY = "notify"
    """Alerts to people."""
