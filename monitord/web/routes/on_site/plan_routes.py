"""The plan of a job: its picture, and the point of each location, set by a tap on it."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import Connection
from starlette.datastructures import FormData, UploadFile

from monitord.errors import StoreError
from monitord.model.job_files.changes import revised
from monitord.model.site.plan import PER_MILLE, Plan, PlanPoint
from monitord.store import jobs as stored_jobs
from monitord.store import notes
from monitord.web.page_context import Web, job_url
from monitord.web.photos import PhotoError
from monitord.web.queries import JobState
from monitord.web.routes.on_site.note_routes import new_picture
from monitord.web.routes.pages import Id
from monitord.web.routes.typed import FormError, Typed, TypedForm
from monitord.web.text.local_time import LocalTimes
from monitord.web.views.job_sections import plan_view
from monitord.web.views.location_view import location_view
from monitord.web.visitor import visitor

WIDTHS = (320, 640)
"""Widths at which the picture is tapped, on a phone and on a PC. [px]"""


class PlanRoutes:
    """The page and its forms, each a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        path = "/jobs/{job_id}/plan"
        router.add_api_route(path, self.page, response_class=HTMLResponse)
        router.add_api_route(path, self.picture, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route(f"{path}/point", self.point, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route(f"{path}/point/remove", self.remove_point, methods=["POST"])
        router.add_api_route(f"{path}/remove", self.remove, methods=["POST"])
        return router

    def page(self, job_id: str, at: Id = None) -> HTMLResponse:
        """The plan; `at` is the location whose point is to be set, else the first that has none."""
        return self._page(job_id, at)

    def _page(self, job_id: str, at: str | None, wrong: FormError | None = None) -> HTMLResponse:
        now, units = self._web.clock.now(), self._web.settings.web.units
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            times = LocalTimes(state.job.zone, now)
            views = [location_view(state, location, times, units) for location in state.job.locations]
            pictures = [one for note in notes.notes_of(conn, job_id) for one in note.photos]
            plan = plan_view(state.job.plan, pictures, views)
            placed = set() if state.job.plan is None else {one.location for one in state.job.plan.points}
            free = [view for view in views if view.id not in placed]
            chosen = next((view for view in views if view.id == at), free[0] if free else None)
            return self._web.page(
                conn,
                "plan.html",
                now,
                422 if wrong is not None else 200,
                state=state,
                t=times,
                plan=plan,
                views=views,
                placed=placed,
                chosen=chosen if visitor().may_work and not state.ended else None,
                pictures=pictures,
                widths=WIDTHS,
                wrong=wrong,
            )

    async def picture(self, request: Request, job_id: str) -> Response:
        """Another picture, new or among the notes; points stay only where the picture does."""
        async with request.form(max_files=2, max_fields=10) as form:
            return await run_in_threadpool(self._picture, job_id, form)

    def _picture(self, job_id: str, form: FormData) -> Response:
        now, file = self._web.clock.now(), form.get("photo")
        try:
            made = new_picture(file) if isinstance(file, UploadFile) and file.size else None
            with self._web.db.write() as conn:
                state = self._open(conn, job_id)
                if made is not None:
                    at = now.replace(microsecond=0)
                    notes.add_note(conn, job_id, None, at, visitor().name, "Plan", [made])
                known = {one.digest for note in notes.notes_of(conn, job_id) for one in note.photos}
                wanted = notes.digest_of(made) if made is not None else str(form.get("digest") or "")
                if wanted not in known:
                    raise PhotoError("Choose a photo or a drawing.")
                before = state.job.plan
                if before is None or before.photo != wanted:
                    stored_jobs.apply_job(conn, revised(state.job, plan=Plan(photo=wanted)))
                    self._web.note(conn, "chose a plan", job_id, wanted[:16])
        except PhotoError as error:
            return self._page(job_id, None, FormError("photo", str(error)))
        except StoreError as error:
            return self._page(job_id, None, FormError("photo", f"{error.what}. {error.remedy}."))
        return RedirectResponse(job_url(job_id, leaf="/plan"), status_code=303)

    def point(self, job_id: str, typed: TypedForm) -> Response:
        """Set where a location is; on to the next that is not on the plan yet."""
        try:
            with self._web.db.write() as conn:
                state = self._open(conn, job_id)
                plan = self._plan(state)
                location = typed["location"]
                if location not in {one.id for one in state.job.locations}:
                    raise FormError("location", "Choose a location of this job.")
                x, y = _tapped(typed)
                changed = plan.with_point(PlanPoint(location=location, x=x, y=y))
                if stored_jobs.apply_job(conn, revised(state.job, plan=changed)) != "unchanged":
                    said = f"{state.job.location(location).label} at {x}, {y} of 1000"
                    self._web.note(conn, "set a point on the plan", job_id, said)
        except FormError as error:
            return self._page(job_id, typed["location"], error)
        return RedirectResponse(job_url(job_id, leaf="/plan"), status_code=303)

    def remove_point(self, job_id: str, typed: TypedForm) -> RedirectResponse:
        """A location is taken off the plan."""
        with self._web.db.write() as conn:
            state = self._open(conn, job_id)
            changed = self._plan(state).without(typed["location"])
            if stored_jobs.apply_job(conn, revised(state.job, plan=changed)) != "unchanged":
                self._web.note(conn, "took a point off the plan", job_id, typed["location"])
        return RedirectResponse(job_url(job_id, {"at": typed["location"]}, "/plan"), status_code=303)

    def remove(self, job_id: str) -> RedirectResponse:
        """The job has no plan any more; its picture stays among the notes."""
        with self._web.db.write() as conn:
            state = self._open(conn, job_id)
            if stored_jobs.apply_job(conn, revised(state.job, plan=None)) != "unchanged":
                self._web.note(conn, "took the plan away", job_id)
        return RedirectResponse(job_url(job_id, leaf="/plan"), status_code=303)

    def _open(self, conn: Connection, job_id: str) -> JobState:
        state = self._web.job(conn, job_id, self._web.clock.now())
        if state.ended:
            raise HTTPException(409, "This job has ended: nothing is added to it any more.")
        return state

    @staticmethod
    def _plan(state: JobState) -> Plan:
        if state.job.plan is None:
            raise HTTPException(404, "This job has no plan yet: choose its picture first.")
        return state.job.plan


def _tapped(typed: Typed) -> tuple[int, int]:
    """Where the picture was tapped, or what was typed in per cent. [‰]

    A browser sends where in the picture a button of type `image` was pressed; pressed by a key, 0 and 0.
    """
    for width in WIDTHS:
        x, y = (typed.number(f"tap{width}.{axis}", -1.0, 1e5, "px") for axis in "xy")
        height = typed.number(f"height{width}", 1.0, 1e5, "px")
        if x and y and height:
            found = (round(PER_MILLE * x / width), round(PER_MILLE * y / height))
            return min(max(found[0], 0), PER_MILLE), min(max(found[1], 0), PER_MILLE)
    across, down = (typed.number(name, 0.0, 100.0, "%") for name in ("across", "down"))
    if across is None or down is None:
        raise FormError("across", "Tap on the picture, or type both how far across and how far down it is.")
    return round(10.0 * across), round(10.0 * down)
