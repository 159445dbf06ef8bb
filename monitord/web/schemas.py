"""What the JSON API answers, as models: they are its documentation at `/api/openapi.json`."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict

from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment
from monitord.model.jobs import JobFile
from monitord.model.readings import UtcTime
from monitord.web.charts.series import Measure

_OUT = ConfigDict(frozen=True, use_attribute_docstrings=True)


class Problem(BaseModel):
    """Any answer that is not 2xx."""

    model_config = _OUT

    detail: str
    """What is wrong, in words for people."""


_PROBLEMS = {
    401: "No token, or one that is not known or was revoked.",
    403: "The token does not cover this; or the request came in the clear over a network (text).",
    404: "There is no such job, location or probe, or the token does not cover it.",
    413: "The body is too large, or its length was not told (text).",
    421: "The dashboard does not answer to that host name (text).",
    422: "The request can't be understood.",
    503: "The database can't answer now; nothing was kept.",
}
_AS_TEXT = frozenset({403, 413, 421})
"""Answered as plain text where the request is turned away before it is looked at."""


def problems(*statuses: int, media_type: str = "application/json") -> dict[int | str, dict[str, Any]]:
    """What a route may answer but its model, for the description of the API."""
    found: dict[int | str, dict[str, Any]] = {}
    for status in (*statuses, 401, 403, 421, 503):
        content: dict[str, Any] = {media_type: {}} if media_type != "application/json" else {}
        if status in _AS_TEXT:
            content["text/plain"] = {"schema": {"type": "string"}}
        found[status] = {"model": Problem, "description": _PROBLEMS[status], "content": content}
        if media_type != "application/json":
            del found[status]["model"]
    return found


class JobSummary(BaseModel):
    """A job in the list."""

    model_config = _OUT

    job: str
    name: str
    timezone: str
    start: UtcTime
    end: UtcTime | None
    as_of: UtcTime | None
    """As of when it was assessed last; null: never."""
    last_reading_at: UtcTime | None
    """When any of its probes was last seen."""
    probes: int
    """Probes that stand there now."""
    probes_reporting: int
    """Those of them that are not silent."""
    states: dict[str, int]
    """Locations by state."""
    open_alerts: dict[str, int]
    """Open and acknowledged alerts by severity."""
    paused: str | None
    """Who wished that it raises nothing now, and why; null: it is not paused."""
    summary: str
    """The sentence at the top of its page."""


class JobDetail(BaseModel):
    """Everything that is known of a job now."""

    model_config = _OUT

    summary: JobSummary
    job: JobFile
    assessment: JobAssessment | None
    alerts: tuple[Alert, ...]
    """Open and acknowledged ones, the oldest first."""


class TraceSeries(BaseModel):
    """One quantity at one location: lists of equal length, a bucket of time in each place."""

    model_config = _OUT

    location: str
    label: str
    measure: Measure
    unit: str
    decimals: int
    """Decimals that the values deserve."""
    time_ms: tuple[int, ...]
    """Middle of the readings in the bucket; milliseconds since 1970-01-01T00:00Z."""
    low: tuple[float, ...]
    high: tuple[float, ...]
    mean: tuple[float, ...]
    u: tuple[float | None, ...]
    """Standard uncertainty (k = 1)."""
    count: tuple[int, ...]
    """Readings in the bucket."""


class JobSeries(BaseModel):
    """Quantities over a time, in buckets: the lowest and the highest value of each stay."""

    model_config = _OUT

    job: str
    timezone: str
    start: UtcTime
    end: UtcTime
    coverage: float
    """Standard uncertainties that pages show as the uncertainty."""
    traces: tuple[TraceSeries, ...]


class ReadingOut(BaseModel):
    """One reading, raw as it came."""

    model_config = _OUT

    probe: str
    time: UtcTime
    temperature_c: float
    relative_humidity_pct: float
    surface_temperature_c: float | None
    battery_v: float | None
    battery_pct: float | None


class ReadingsOut(BaseModel):
    """Readings of a location, the oldest first."""

    model_config = _OUT

    job: str
    location: str
    readings: tuple[ReadingOut, ...]
    next_since: UtcTime | None
    """Ask again with this as `since` for those that follow; null: there are no more."""


class AlertsOut(BaseModel):
    """Alerts."""

    model_config = _OUT

    alerts: tuple[Alert, ...]


class ProbeOut(BaseModel):
    """A probe that was seen live."""

    model_config = _OUT

    probe: str
    last_reading_at: UtcTime
    """Stamp of its newest live reading, or its arrival if that was earlier."""
    temperature_c: float
    relative_humidity_pct: float
    battery_v: float | None
    battery_pct: float | None
    rssi_dbm: float | None
    gateway: str | None
    job: str | None
    """Where it stands; null: seen but not placed."""
    location: str | None


class ProbesOut(BaseModel):
    """Every probe ever seen, the last one first."""

    model_config = _OUT

    probes: tuple[ProbeOut, ...]


class HeldOut(BaseModel):
    """A payload that could not be understood or believed."""

    model_config = _OUT

    id: int
    topic: str
    code: str
    reason: str
    payload_base64: str
    received_at: UtcTime
    last_received_at: UtcTime
    times: int


class QuarantineOut(BaseModel):
    """What is held in quarantine, the latest first."""

    model_config = _OUT

    held: tuple[HeldOut, ...]


class IngestedOut(BaseModel):
    """What became of a payload that was handed in."""

    model_config = _OUT

    stored: int
    """Readings that are new, durably stored."""
    repeats: int
    """Readings that were stored already, with the same values."""
    conflicts: int
    """Readings that contradict a stored one of the same probe and time; the first is kept."""
    held: int
    """1: something of it could not be understood, and the payload is in quarantine."""
