"""Downloads of a job: its report, its evidence pack and the calendar of its expected dates."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter
from fastapi.responses import Response

from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.report.calendar_feed import calendar
from monitord.report.collect import collect
from monitord.report.contents import contents_of
from monitord.report.pack import make_pack
from monitord.report.pdf import pdf_report
from monitord.text.speaker import Speaker
from monitord.web.page_context import Web
from monitord.web.text.words import english


class DownloadRoutes:
    """The downloads, each a method. All read one state of the database; what is long to make is made after that."""

    def __init__(self, web: Web, criteria: CriteriaBook) -> None:
        self._web = web
        self._criteria = criteria

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/report.pdf", self.report)
        router.add_api_route("/jobs/{job_id}/evidence.zip", self.evidence)
        router.add_api_route("/jobs/{job_id}/dates.ics", self.dates)
        return router

    def report(self, job_id: str) -> Response:
        """The report as PDF."""
        now, settings = self._web.clock.now(), self._web.settings
        with self._web.db.read() as conn:
            job = self._web.job(conn, job_id, now).job
            firm, units = settings.report.firm, settings.web.units
            contents = contents_of(conn, job, now, self._criteria, settings.analysis, firm, units)
        return _file(pdf_report(contents, settings.report.logo), f"{job.job}.pdf", "application/pdf")

    def evidence(self, job_id: str) -> Response:
        """The evidence pack, not signed: the firm's key is not on this machine's web side."""
        now = self._web.clock.now()
        as_of = now.replace(microsecond=now.microsecond // 1000 * 1000)
        with self._web.db.read() as conn:
            job = self._web.job(conn, job_id, now).job
            evidence = collect(conn, job, as_of, self._criteria, self._web.settings.analysis)
        return _file(make_pack(evidence), f"{job.job}-evidence.zip", "application/zip")

    def dates(self, job_id: str) -> Response:
        """Expected dates as a calendar; empty before the first assessment."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
        if state.assessment is None:
            return Response(status_code=204)
        speaker = Speaker(english(), state.job.zone, now)
        valid_d = self._web.settings.analysis.calibration_valid_d
        data = calendar(state.job, state.assessment, valid_d, speaker)
        return _file(data, f"{state.job.job}.ics", "text/calendar; charset=utf-8")


def _file(data: bytes, name: str, kind: str) -> Response:
    headers = {
        "content-disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}",
        "cache-control": "no-store",
    }
    return Response(data, media_type=kind, headers=headers)
