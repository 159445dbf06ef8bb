"""Checks of probes as guided forms: begin, wait, see what was found, record what would correct it."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from monitord.errors import JobFileError
from monitord.model.job_files.changes import with_check, with_check_ended
from monitord.model.jobs import JobFile
from monitord.model.site.checks import CheckKind, ProbeCheck
from monitord.report import probe_checks
from monitord.store import jobs as stored_jobs
from monitord.store.last_seen import probes_seen
from monitord.web.page_context import Web, job_url
from monitord.web.routes.typed import plain_error, pressed_at
from monitord.web.text.local_time import LocalTimes
from monitord.web.visitor import reader_units, visitor

SALTS = {
    "NaCl": "Sodium chloride (table salt), about 75 % RH",
    "MgCl2": "Magnesium chloride, about 33 % RH",
    "LiCl": "Lithium chloride, about 11 % RH",
    "KCl": "Potassium chloride, about 85 % RH",
    "K2SO4": "Potassium sulphate, about 97 % RH",
}
"""What each is called, and about where it stands at room temperature (Greenspan 1977)."""
_NAMES = {CheckKind.SIDE_BY_SIDE: "Side by side", CheckKind.SALT: "Over a saturated salt"}


class CheckRoutes:
    """The pages and their forms, each a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/checks", self.page, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/checks", self.begin, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/checks/{number}", self.check, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/checks/{number}/end", self.end, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/checks/{number}/record", self.record, methods=["POST"])
        return router

    def page(self, job_id: str) -> HTMLResponse:
        """Checks under way and done, and the form that begins one."""
        return self._page(job_id, {"kind": [CheckKind.SIDE_BY_SIDE.value], "salt": ["NaCl"], "leave": ["1"]})

    def _page(self, job_id: str, typed: dict[str, list[str]], wrong: str = "") -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            last_seen = {one.probe: one.last_seen_at for one in probes_seen(conn)}
            probes = sorted({placement.probe for placement in state.job.probes})
            return self._web.page(
                conn,
                "checks.html",
                now,
                422 if wrong else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                typed=typed,
                wrong=wrong,
                probes=[(probe, last_seen.get(probe)) for probe in probes],
                salts=SALTS,
                names=_NAMES,
                checks=list(enumerate(state.job.checks, start=1))[::-1],
            )

    async def begin(self, request: Request, job_id: str) -> Response:
        """A box was closed: from now on its probes are checked."""
        form = await request.form()
        typed = {name: [str(value)[:128] for value in form.getlist(name)] for name in form}
        return await run_in_threadpool(self._begin, job_id, typed)

    def _begin(self, job_id: str, typed: dict[str, list[str]]) -> Response:
        now = self._web.clock.now()
        at = pressed_at(_first(typed, "pressed"), now).replace(microsecond=0)
        over_salt = _first(typed, "kind") == CheckKind.SALT.value
        values = {
            "kind": _first(typed, "kind"),
            "probes": typed.get("probe", []),
            "salt": _first(typed, "salt") if over_salt else None,
            "from": at,
            "by": visitor().name,
        }
        try:
            with self._web.db.write() as conn:
                job = self._web.job(conn, job_id, now).job
                if job.end is not None and job.end <= now:
                    raise HTTPException(409, "This job has ended: nothing is added to it any more.")
                if not typed.get("probe"):
                    raise JobFileError("no probe was chosen", remedy="Tick those that lie in the box")
                made = ProbeCheck.model_validate(values)
                unknown = sorted(set(made.probes) - {placement.probe for placement in job.probes})
                if unknown:
                    raise JobFileError(f"probe {unknown[0]!r} was never placed in this job", remedy="Place it first")
                changed = with_check(job, made, leave=bool(typed.get("leave")))
                if stored_jobs.apply_job(conn, changed) != "unchanged":
                    said = f"{_NAMES[made.kind].lower()}: {', '.join(made.probes)}"
                    self._web.note(conn, "began a check of probes", job_id, said)
                number = changed.checks.index(made) + 1
        except (JobFileError, ValidationError) as error:
            words = plain_error(error)
            return self._page(job_id, typed, f"{words[:1].upper()}{words[1:]}")
        return RedirectResponse(job_url(job_id, leaf=f"/checks/{number}"), status_code=303)

    def check(self, job_id: str, number: int) -> HTMLResponse:
        """One check: what it says by now, or said when it ended."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            made = _check_of(state.job, number)
            found = self._found(conn, state.job, made, now)
            probes = set(made.probes)
            recorded = [c for c in state.job.calibrations if c.probe in probes and c.at == made.to_time]
            standing = {placement.probe for placement in state.placements_now}
            return self._web.page(
                conn,
                "check.html",
                now,
                state=state,
                t=LocalTimes(state.job.zone, now),
                number=number,
                made=made,
                name=_NAMES[made.kind],
                salt=SALTS.get(made.salt or "", ""),
                found=found,
                columns=probe_checks.columns(reader_units(), salt=bool(made.salt)),
                recorded=recorded,
                loose=[probe for probe in made.probes if probe not in standing],
            )

    def _found(self, conn: Connection, job: JobFile, made: ProbeCheck, now: datetime) -> probe_checks.Found:
        end = made.to_time or now.replace(microsecond=0)
        if end <= made.from_time:
            return probe_checks.Found([], ["The box was closed just now."], [], passed=False, undecided=True)
        if made.salt is not None:
            return probe_checks.check_salt(
                conn, job, made.probes, made.salt, made.from_time, end, visitor().name, reader_units()
            )
        return probe_checks.check_side_by_side(
            conn, job, made.probes, made.from_time, end, visitor().name, reader_units()
        )

    def end(self, job_id: str, number: int) -> RedirectResponse:
        """The box was opened; nothing is corrected."""
        now = self._web.clock.now().replace(microsecond=0)
        with self._web.db.write() as conn:
            job = self._web.job(conn, job_id, now).job
            made = _check_of(job, number)
            _end(conn, job, number, now)
            self._web.note(conn, "ended a check of probes", job_id, ", ".join(made.probes))
        return RedirectResponse(job_url(job_id, leaf=f"/checks/{number}"), status_code=303)

    def record(self, job_id: str, number: int) -> RedirectResponse:
        """End the check and keep what it proposes as calibrations of its probes."""
        now = self._web.clock.now().replace(microsecond=0)
        with self._web.db.write() as conn:
            job = self._web.job(conn, job_id, now).job
            found = self._found(conn, job, _check_of(job, number), now)
            if not found.proposed:
                raise HTTPException(409, "There is nothing to record: the check proposes no correction.")
            _end(conn, job, number, now)
            stored_jobs.add_calibrations(conn, job_id, found.proposed)
            probes = ", ".join(calibration.probe for calibration in found.proposed)
            self._web.note(conn, "recorded a check of probes", job_id, probes)
        return RedirectResponse(job_url(job_id, leaf=f"/checks/{number}"), status_code=303)


def _end(conn: Connection, job: JobFile, number: int, at: datetime) -> None:
    try:
        stored_jobs.apply_job(conn, with_check_ended(job, number, at))
    except JobFileError as error:
        raise HTTPException(422, plain_error(error)) from error


def _check_of(job: JobFile, number: int) -> ProbeCheck:
    if not 1 <= number <= len(job.checks):
        raise HTTPException(404, "There is no such check in this job.")
    return job.checks[number - 1]


def _first(typed: dict[str, list[str]], name: str) -> str:
    return typed.get(name, [""])[0]
