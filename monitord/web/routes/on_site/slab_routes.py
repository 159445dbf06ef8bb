"""A slab by form: its positions, the criteria it is judged by, its covering, and how its room will be used."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, HTTPException
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.model.job_files.changes import new_id, with_slab, without_slab
from monitord.model.jobs import JobFile, LocationKind
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.slabs import Covering, Slab
from monitord.store import jobs as stored_jobs
from monitord.store import signoffs
from monitord.web.page_context import Web, job_url
from monitord.web.routes.form_parts import held_service, service_of, slab_criteria
from monitord.web.routes.typed import FormError, Typed, TypedForm, as_form_errors
from monitord.web.text.local_time import LocalTimes

_MAX_AREA_M2 = 1e6


class SlabRoutes:
    """The form, for a new slab and for one that is there."""

    def __init__(self, web: Web, criteria: CriteriaBook) -> None:
        self._web = web
        self._criteria = slab_criteria(criteria)

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/slabs/new", self.new, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/slabs/new", self.add, methods=["POST"], response_class=HTMLResponse)
        one = "/jobs/{job_id}/slabs/{slab_id}/edit"
        router.add_api_route(one, self.edit, response_class=HTMLResponse)
        router.add_api_route(one, self.change, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/slabs/{slab_id}/remove", self.remove, methods=["POST"])
        return router

    def new(self, job_id: str) -> HTMLResponse:
        """A form with the firm's defaults; sleeves are ticked."""
        with self._web.db.read() as conn:
            job = self._web.job(conn, job_id, self._web.clock.now()).job
            usual = stored_jobs.job_defaults(conn)
        ticked = [place.id for place in job.locations if place.kind is LocationKind.SLAB_SLEEVE]
        criteria = usual.criteria if usual.criteria in self._criteria else next(iter(self._criteria), "")
        guard = "" if usual.guard_factor is None else f"{usual.guard_factor:g}"
        typed = {"criteria": criteria or "", "guard": guard} | held_service(usual.service)
        return self._form(job_id, None, typed, ticked)

    def edit(self, job_id: str, slab_id: str) -> HTMLResponse:
        """The form, filled in with what holds."""
        with self._web.db.read() as conn:
            job = self._web.job(conn, job_id, self._web.clock.now()).job
        slab = _slab_of(job, slab_id)
        return self._form(job_id, slab_id, _held(job, slab), list(slab.locations))

    def _form(
        self,
        job_id: str,
        slab_id: str | None,
        typed: dict[str, str],
        ticked: list[str],
        wrong: FormError | None = None,
    ) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            return self._web.page(
                conn,
                "slab.html",
                now,
                422 if wrong is not None else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                slab=None if slab_id is None else _slab_of(state.job, slab_id),
                typed=typed,
                ticked=ticked,
                wrong=wrong,
                criteria=self._criteria,
                places=[place for place in state.job.locations if place.is_in_slab],
                rooms=[place for place in state.job.locations if place.is_room],
            )

    def add(self, job_id: str, typed: TypedForm) -> Response:
        """A new slab."""
        return self._keep(job_id, None, typed)

    def change(self, job_id: str, slab_id: str, typed: TypedForm) -> Response:
        """Keep what the form says of a slab; the same again changes nothing."""
        return self._keep(job_id, slab_id, typed)

    def _keep(self, job_id: str, slab_id: str | None, typed: Typed) -> Response:
        now, ticked = self._web.clock.now(), list(typed.every.get("position", ()))
        try:
            with as_form_errors(), self._web.db.write() as conn:
                job = self._web.job(conn, job_id, now).job
                before = None if slab_id is None else _slab_of(job, slab_id)
                slab = self._made(job, before, typed, ticked)
                if stored_jobs.apply_job(conn, with_slab(job, slab)) != "unchanged":
                    self._web.note(conn, "named a slab" if before is None else "changed a slab", job_id, _said(slab))
        except FormError as error:
            return self._form(job_id, slab_id, typed.values, ticked, error)
        return RedirectResponse(f"{job_url(job_id)}/readiness", status_code=303)

    def _made(self, job: JobFile, before: Slab | None, typed: Typed, ticked: list[str]) -> Slab:
        name = " ".join(typed["name"].split())
        if not name:
            raise FormError("name", "Give the slab a name, as you would say it.")
        if not ticked:
            raise FormError("position", "Tick the positions that the verdict rests on.")
        if typed["criteria"] not in self._criteria:
            raise FormError("criteria", "Choose the criteria that are followed.")
        held: dict[str, Any] = {} if before is None else before.model_dump()
        taken = [*(slab.id for slab in job.slabs), *(place.id for place in job.locations)]
        limit = typed.number("limit", 1.0, 100.0, "% RH")
        made = held | {
            "id": new_id(name, taken) if before is None else before.id,
            "name": name,
            "locations": tuple(place.id for place in job.locations if place.id in ticked),
            "criteria": typed["criteria"],
            "area_m2": typed.number("area", 0.1, _MAX_AREA_M2, "m²"),
            "room": typed["room"] or None,
            "covering": Covering(
                name=typed["covering"], manufacturer=typed["maker"], limit_pct=limit, limit_source=typed["limit_source"]
            ),
            "service": service_of(typed),
            "guard_factor": typed.number("guard", 0.0, 3.0, "standard uncertainties"),
            "drying_aids_off_at": typed.moment("aids_off", job.zone),
        }
        return Slab.model_validate(made)

    def remove(self, job_id: str, slab_id: str) -> RedirectResponse:
        """The job asks no verdict of it any more; its positions go on as they are."""
        now = self._web.clock.now()
        with self._web.db.write() as conn:
            job = self._web.job(conn, job_id, now).job
            slab = _slab_of(job, slab_id)
            if any(made.element == slab_id and made.stands for made in signoffs.signoffs(conn, job_id)):
                raise HTTPException(409, "It is signed off: withdraw the sign-off first, which stays on record.")
            stored_jobs.apply_job(conn, without_slab(job, slab_id))
            self._web.note(conn, "removed a slab", job_id, _said(slab))
        return RedirectResponse(f"{job_url(job_id)}/readiness", status_code=303)


def _slab_of(job: JobFile, slab_id: str) -> Slab:
    for slab in job.slabs:
        if slab.id == slab_id:
            return slab
    raise HTTPException(404, f"Job {job.job!r} has no slab {slab_id!r}.")


def _held(job: JobFile, slab: Slab) -> dict[str, str]:
    """What a slab has, as the form's fields."""
    floor, off = slab.covering, slab.drying_aids_off_at
    held = {
        "name": slab.label,
        "criteria": slab.criteria,
        "area": "" if slab.area_m2 is None else f"{slab.area_m2:g}",
        "room": slab.room or "",
        "covering": floor.name,
        "maker": floor.manufacturer,
        "limit": "" if floor.limit_pct is None else f"{floor.limit_pct:g}",
        "limit_source": floor.limit_source,
        "guard": "" if slab.guard_factor is None else f"{slab.guard_factor:g}",
        "aids_off": "" if off is None else f"{off.astimezone(job.zone):%Y-%m-%dT%H:%M}",
    }
    return held | held_service(slab.service)


def _said(slab: Slab) -> str:
    limit = "no limit" if slab.covering.limit_pct is None else f"limit {slab.covering.limit_pct:g} % RH"
    return f"{slab.label}: {', '.join(slab.locations)}; {slab.criteria}; {limit}"
