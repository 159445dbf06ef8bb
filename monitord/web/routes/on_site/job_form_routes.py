"""A new job as a guided form, its head changed later, and its end; the model is the job file's, and exported as one."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from monitord.errors import JobFileError
from monitord.model.explain import problems
from monitord.model.job_files.changes import new_id, revised
from monitord.model.job_files.defaults import JobDefaults
from monitord.model.job_files.files import dump_job
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.store import jobs as stored_jobs
from monitord.store.access import people
from monitord.web.page_context import Web, job_url, utc_times
from monitord.web.text.local_time import LocalTimes
from monitord.web.visitor import visitor

Text = Annotated[str, Form(max_length=200)]

_OUTSIDE = ("Outdoor air", LocationKind.OUTDOOR_AIR)
STARTS: dict[str, tuple[str, str, tuple[tuple[str, LocationKind], ...]]] = {
    "leak": (
        "A leak or burst pipe",
        "room air and outdoor air; then walls, voids and timber one by one",
        (("Room air", LocationKind.ROOM_AIR), _OUTSIDE),
    ),
    "flood": (
        "A flooded floor",
        "room air, outdoor air and the void under the floor",
        (("Room air", LocationKind.ROOM_AIR), _OUTSIDE, ("Void under the floor", LocationKind.SUBFLOOR_VOID)),
    ),
    "slab": (
        "A slab that waits for its covering",
        "air above the slab and outdoor air; then its sleeves",
        (("Air above the slab", LocationKind.ROOM_AIR), _OUTSIDE),
    ),
    "empty": ("Something else", "no locations yet", ()),
}
"""Kinds of jobs: what each is called, and the locations it begins with (our choice)."""


class JobFormRoutes:
    """The forms, each a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes. `/new-job` stands beside `/jobs/`, where each name is a job's."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/new-job", self.new, response_class=HTMLResponse)
        router.add_api_route("/new-job", self.make, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/edit", self.edit, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/edit", self.change, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/close", self.close, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/delete", self.delete, methods=["POST"])
        router.add_api_route("/jobs/{job_id}/job.toml", self.file, response_class=PlainTextResponse)
        return router

    def new(self) -> HTMLResponse:
        """The form."""
        return self._new({"kind": "leak"})

    def _new(self, typed: dict[str, str], wrong: str = "") -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            known = [job for job in stored_jobs.list_jobs(conn) if visitor().may_see(job.job)]
            latest = max(known, key=lambda job: job.start, default=None)
            usual = stored_jobs.job_defaults(conn)
            known_zone = usual.timezone or (latest.timezone if latest is not None else None)
            values = {"timezone": known_zone or "UTC", "elevation": f"{usual.elevation_m or 0.0:g}"}
            values["valid"] = _number(usual.calibration_valid_d)
            values |= typed
            return self._web.page(
                conn, "new_job.html", now, 422 if wrong else 200, typed=values, wrong=wrong, starts=STARTS,
                ask_zone=known_zone is None and not typed.get("timezone"),
                t=utc_times(now), usual_days=_number(self._web.settings.analysis.calibration_valid_d),
            )  # fmt: skip

    def make(
        self,
        name: Text = "",
        kind: Text = "leak",
        timezone: Text = "UTC",
        elevation: Text = "0",
        valid: Text = "",
    ) -> Response:
        """A new job with the locations that its kind begins with; on to placing its first probe."""
        typed = {"name": name, "kind": kind, "timezone": timezone, "elevation": elevation, "valid": valid}
        now = self._web.clock.now().replace(microsecond=0)
        try:
            with self._web.db.write() as conn:
                called = _name(name)
                taken = [job.job for job in stored_jobs.list_jobs(conn)]
                head = {"job": new_id(called, taken), "name": called, "start": now, **_head(timezone, elevation, valid)}
                job = _validated(head | {"locations": _locations(kind, stored_jobs.job_defaults(conn))})
                stored_jobs.apply_job(conn, job)
                self._let_in(conn, job.job)
                self._web.note(conn, "made a job", job.job, called)
        except JobFileError as error:
            return self._new(typed, f"{error.what}.")
        return RedirectResponse(job_url(job.job, leaf="/place"), status_code=303)

    def _let_in(self, conn: Connection, job: str) -> None:
        """Who sees only some jobs sees the one that they have made."""
        who = visitor()
        if who.jobs is not None and who.person is not None and who.role is not None:
            people.change_person(conn, who.person, who.role, who.jobs | {job})

    def edit(self, job_id: str) -> HTMLResponse:
        """The job's head, to be changed; and its end."""
        return self._edit(job_id, None)

    def _edit(self, job_id: str, typed: dict[str, str] | None, wrong: str = "") -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            job = state.job
            held = {"name": job.name, "timezone": job.timezone, "elevation": f"{job.elevation_m:g}"}
            held["valid"] = _number(job.calibration_valid_d)
            return self._web.page(
                conn, "edit_job.html", now, 422 if wrong else 200, state=state, typed=typed or held, wrong=wrong,
                t=LocalTimes(job.zone, now), usual_days=_number(self._web.settings.analysis.calibration_valid_d),
            )  # fmt: skip

    def change(
        self, job_id: str, name: Text = "", timezone: Text = "UTC", elevation: Text = "0", valid: Text = ""
    ) -> Response:
        """Another name, time zone, height, or how long a check of a probe is good for."""
        typed = {"name": name, "timezone": timezone, "elevation": elevation, "valid": valid}
        now = self._web.clock.now()
        try:
            with self._web.db.write() as conn:
                job = self._web.job(conn, job_id, now).job
                changed = revised(job, name=_name(name), **_head(timezone, elevation, valid))
                if stored_jobs.apply_job(conn, changed) == "changed":
                    self._web.note(conn, "changed a job", job_id, f"{changed.name}, {timezone}, {elevation} m")
        except JobFileError as error:
            return self._edit(job_id, typed, f"{error.what}.")
        return RedirectResponse(job_url(job_id), status_code=303)

    def close(self, job_id: str, sure: Text = "") -> RedirectResponse:
        """End a job now: its probes are free, its readings stay."""
        if not sure:
            raise HTTPException(422, "Tick that the job is to end.")
        now = self._web.clock.now().replace(microsecond=0)
        with self._web.db.write() as conn:
            self._web.job(conn, job_id, now)
            try:
                stored_jobs.close_job(conn, job_id, now)
            except JobFileError as error:
                raise HTTPException(409, f"{error.message}.") from error
            self._web.note(conn, "ended a job", job_id)
        return RedirectResponse(job_url(job_id), status_code=303)

    def delete(self, job_id: str, name: Text = "") -> RedirectResponse:
        """Delete a mistaken job, its name typed to confirm: readings stay, all else of it goes."""
        with self._web.db.write() as conn:
            job = self._web.job(conn, job_id, self._web.clock.now()).job
            if " ".join(name.split()) != job.label:
                raise HTTPException(422, f"Type the job's name, “{job.label}”, to delete it. Nothing was deleted.")
            try:
                stored_jobs.delete_job(conn, job_id)
            except JobFileError as error:
                raise HTTPException(409, f"{error.message}.") from error
            counts = f"{len(job.locations)} locations, {len(job.probes)} placements, {len(job.spots)} spot readings"
            self._web.note(conn, "deleted a job", job_id, f"{job.label}: {counts}")
        return RedirectResponse("/", status_code=303)

    def file(self, job_id: str) -> PlainTextResponse:
        """The job as a file that `monitord job apply` takes."""
        with self._web.db.read() as conn:
            job = self._web.job(conn, job_id, self._web.clock.now()).job
        name = new_id(job.job, ())
        headers = {"content-disposition": f'attachment; filename="{name}.toml"'}
        return PlainTextResponse(dump_job(job, "toml"), headers=headers)


def _name(text: str) -> str:
    name = " ".join(text.split())
    if not name or len(name) > 80:
        raise JobFileError("Give the job a name, such as its address, in at most 80 letters")
    return name


def _head(timezone: str, elevation: str, valid: str) -> dict[str, Any]:
    try:
        head: dict[str, Any] = {"timezone": timezone.strip(), "elevation_m": float(elevation.replace(",", ".") or 0)}
    except ValueError:
        raise JobFileError(f"“{elevation}” is no height in metres") from None
    try:
        return head | {"calibration_valid_d": float(valid.replace(",", ".")) if valid.strip() else None}
    except ValueError:
        raise JobFileError(f"“{valid}” is no number of days") from None


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _locations(kind: str, usual: JobDefaults) -> tuple[Location, ...]:
    """What a kind of job begins with; voids are compared with the room and have the goal that the firm gives them."""
    _, _, wanted = STARTS.get(kind, STARTS["empty"])
    made: list[Location] = []
    room = next((new_id(name, ()) for name, what in wanted if what is LocationKind.ROOM_AIR), None)
    for name, what in wanted:
        reference = room if what is LocationKind.SUBFLOOR_VOID else None
        made.append(Location(id=new_id(name, ()), name=name, kind=what, reference=reference, goal=usual.goal(what)))
    return tuple(made)


def _validated(values: dict[str, Any]) -> JobFile:
    try:
        return JobFile.model_validate(values)
    except ValidationError as error:
        raise JobFileError(problems(error, JobFile)[0].what) from None
