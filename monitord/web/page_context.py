"""What every route works with: database, clock, settings, templates."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import jinja2
from fastapi import HTTPException
from fastapi.responses import HTMLResponse
from markupsafe import Markup
from sqlalchemy import Connection

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.clock import Clock
from monitord.model.config.settings import Settings
from monitord.model.units import Units, unit_in
from monitord.store import alerts as stored_alerts
from monitord.store.access import audit
from monitord.store.db.database import Database
from monitord.text.catalogue import AMERICAN
from monitord.web.charts.kept_figures import FiguresKept
from monitord.web.queries import JobState, load_job
from monitord.web.text import formats
from monitord.web.text.glossary_links import link_terms
from monitord.web.text.kept_parts import KeptParts
from monitord.web.text.local_time import LocalTimes, iso
from monitord.web.text.spelling import AmericanTemplates
from monitord.web.text.words import english
from monitord.web.views.alert_view import SPANS
from monitord.web.visitor import reader_units, visitor

FOLDER = Path(__file__).parent
STATIC = FOLDER / "static"
POLL_S, POLL_ACCELERATED_S = 30, 5
"""How often an open page asks for news; more often where simulated time runs faster than ours. [s]"""


_TITLES = {
    401: "Signed out",
    403: "Not allowed",
    404: "Not found",
    405: "Not in this way",
    422: "Not understood",
    503: "Not able to answer",
}


@dataclass(frozen=True)
class Web:
    """The parts of the dashboard that its routes share."""

    db: Database
    clock: Clock
    settings: Settings
    templates: jinja2.Environment = field(repr=False)
    figures: FiguresKept = field(repr=False)
    rules: AlertRules = field(repr=False)

    def page(self, conn: Connection, template: str, now: datetime, status: int = 200, **values: Any) -> HTMLResponse:
        """A page filled in; one that is open asks again on its own."""
        pace = 1.0 / self.clock.wait_s(1.0)
        n_open = sum(n for job, n in stored_alerts.count_open(conn).items() if visitor().may_see(job))
        poll = POLL_S if pace <= 1.0 else POLL_ACCELERATED_S
        text = self.templates.get_template(template).render(
            now=iso(now),
            pace=f"{pace:g}",
            poll=poll if visitor().signed_in else 0,
            alerts_open=n_open if visitor().signed_in else None,
            units=self.settings.web.units,
            **values,
        )
        if visitor().signed_in and template != "glossary.html":
            text = link_terms(text, english())
        # a copy kept by the browser would show the ages of another time
        return HTMLResponse(text, status, {"monitord-now": iso(now), "cache-control": "no-store"})

    def note(self, conn: Connection, what: str, job: str | None = None, detail: str = "") -> None:
        """Keep on record what the visitor has just changed, in the transaction of the change."""
        who = visitor()
        audit.record(conn, self.clock.now(), who.name or "nobody", what, job=job, detail=detail, address=who.address)

    def error_page(self, status: int, detail: str) -> HTMLResponse:
        """A page that says what went wrong; it needs no database."""
        now = self.clock.now()
        title = _TITLES.get(status, "Something is wrong")
        text = self.templates.get_template("error.html").render(
            now=iso(now), pace="1", poll=0, alerts_open=None, title=title, detail=detail, status=status
        )
        return HTMLResponse(text, status)

    def job(self, conn: Connection, job_id: str, now: datetime) -> JobState:
        """A job as it stands.

        Raises
        ------
        HTTPException : 404, there is no such job.
        """
        state = load_job(conn, job_id, now)
        if state is None:
            raise HTTPException(404, f"There is no job {job_id!r}.")
        return state


def utc_times(now: datetime) -> LocalTimes:
    """Times on pages that belong to no job."""
    return LocalTimes(UTC, now)


def environment(units: Units = Units.METRIC) -> jinja2.Environment:
    """The templates as a reader of these units spells them, with what all of them use."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=[KeptParts, *([AmericanTemplates] if units is Units.US else [])],
    )
    versions = {path.name: _version(path) for path in STATIC.iterdir() if path.is_file()}
    made.globals["static"] = lambda name: f"/static/{name}?v={versions[name]}"
    made.globals["job_url"] = job_url
    made.globals["location_url"] = location_url
    made.globals["f"] = formats
    made.globals["spans"] = [(key, words) for key, (words, _) in SPANS.items()]
    made.globals["iso"] = iso
    made.globals["page_language"] = AMERICAN if units is Units.US else "en-GB"
    made.globals["visitor"] = visitor
    made.globals["unit_of"] = lambda unit: unit_in(unit, reader_units())
    made.globals["form_token"] = form_field
    return made


def form_field() -> Markup:
    """The hidden field that every form carries."""
    return _form_field(visitor().form_token)


@lru_cache(maxsize=64)
def _form_field(token: str) -> Markup:
    return Markup('<input type="hidden" name="form_token" value="{}">').format(token)


def job_url(job: str, query: dict[str, str] | None = None, leaf: str = "") -> str:
    """Address of a job's page, or of something under it."""
    return f"/jobs/{quote(job, safe='')}{leaf}" + _query(query)


def location_url(job: str, location: str, query: dict[str, str] | None = None, leaf: str = "") -> str:
    """Address of a location's page, or of something under it."""
    return f"/jobs/{quote(job, safe='')}/locations/{quote(location, safe='')}{leaf}" + _query(query)


def _query(query: dict[str, str] | None) -> str:
    return f"?{urlencode(query)}" if query else ""


def _version(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:10]
