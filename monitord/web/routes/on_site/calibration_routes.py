"""Corrections of probes by form: from a certificate, or a check elsewhere. Readings stay raw; a correction applies on
the way out."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.model.job_files.changes import with_calibration, without_calibration
from monitord.model.jobs import Calibration, JobFile
from monitord.model.units import size_in
from monitord.store import jobs as stored_jobs
from monitord.web.page_context import Web, job_url
from monitord.web.routes.form_parts import MAX_K, MAX_PCT, accuracy_of
from monitord.web.routes.typed import FormError, Typed, TypedForm, as_form_errors
from monitord.web.text.local_time import LocalTimes
from monitord.web.visitor import reader_units, visitor


class CalibrationRoutes:
    """The page and its forms."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        path = "/jobs/{job_id}/calibrations"
        router.add_api_route(path, self.page, response_class=HTMLResponse)
        router.add_api_route(path, self.add, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route(f"{path}/remove", self.remove, methods=["POST"])
        return router

    def page(self, job_id: str) -> HTMLResponse:
        """What is on record, and the form for one more."""
        return self._page(job_id, {"by": visitor().name or ""})

    def _page(self, job_id: str, typed: dict[str, str], wrong: FormError | None = None) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            rows = sorted(enumerate(state.job.calibrations, start=1), key=lambda row: row[1].at, reverse=True)
            return self._web.page(
                conn,
                "calibrations.html",
                now,
                422 if wrong is not None else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                typed=typed,
                wrong=wrong,
                probes=sorted({placement.probe for placement in state.job.probes}),
                rows=[(number, one, _corrected(one)) for number, one in rows],
            )

    def add(self, job_id: str, typed: TypedForm) -> Response:
        """One more correction; the same again changes nothing."""
        now = self._web.clock.now()
        try:
            with as_form_errors(), self._web.db.write() as conn:
                job = self._web.job(conn, job_id, now).job
                made = _made(job, typed, now)
                if stored_jobs.apply_job(conn, with_calibration(job, made)) != "unchanged":
                    self._web.note(conn, "recorded a calibration", job_id, _said(made))
        except FormError as error:
            return self._page(job_id, typed.values, error)
        return RedirectResponse(f"{job_url(job_id)}/calibrations", status_code=303)

    def remove(
        self, job_id: str, number: Annotated[str, Form(max_length=20)] = "", probe: Annotated[str, Form()] = ""
    ) -> Response:
        """Take out one that was recorded by mistake."""
        with self._web.db.write() as conn:
            job = self._web.job(conn, job_id, self._web.clock.now()).job
            place = int(number) if number.isascii() and number.isdecimal() and len(number) < 6 else 0
            if not 1 <= place <= len(job.calibrations) or job.calibrations[place - 1].probe != probe:
                raise HTTPException(404, "There is no such calibration any more.")
            stored_jobs.apply_job(conn, without_calibration(job, place))
            self._web.note(conn, "took a calibration out", job_id, _said(job.calibrations[place - 1]))
        return RedirectResponse(f"{job_url(job_id)}/calibrations", status_code=303)


def _made(job: JobFile, typed: Typed, now: datetime) -> Calibration:
    if typed["probe"] not in {placement.probe for placement in job.probes}:
        raise FormError("probe", "Choose a probe of this job.")
    at = typed.moment("at", job.zone)
    if at is None:
        raise FormError("at", "Give day and time, such as 2026-12-08T07:21.")
    if at > now:
        raise FormError("at", "That lies in the future: give the time from which on it holds.")
    units = reader_units()
    temperature = typed.measured("temperature", -MAX_K, MAX_K, "K", units)
    humidity = typed.number("humidity", -MAX_PCT, MAX_PCT, "% RH")
    accuracy = accuracy_of(typed, "Give both ± limits that hold after the check, or neither.")
    if not typed["method"]:
        raise FormError("method", "Say how it was checked, such as a certificate and its number.")
    return Calibration(
        probe=typed["probe"],
        at=at,
        temperature_correction_c=temperature or 0.0,
        relative_humidity_correction_pct=humidity or 0.0,
        accuracy=accuracy,
        method=typed["method"],
        by=typed["by"],
    )


def _corrected(one: Calibration) -> tuple[str, str]:
    kelvin = size_in(one.temperature_correction_c, "K", reader_units())
    return tuple(
        f"{value:+.2g}".replace("-", "\N{MINUS SIGN}") if value else "0"
        for value in (kelvin, one.relative_humidity_correction_pct)
    )  # type: ignore[return-value]


def _said(one: Calibration) -> str:
    return (
        f"{one.probe} from {one.at:%Y-%m-%dT%H:%MZ}: {one.temperature_correction_c:+g} K, "
        f"{one.relative_humidity_correction_pct:+g} % RH, {one.method}"
    )
