"""On site: place a probe at a location with a phone, move it, take it away; and the labels that lead there."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import Connection

from monitord.errors import JobFileError
from monitord.model.job_files.changes import (
    DRILLED_KINDS,
    new_id,
    with_calibration,
    with_location,
    with_probe,
    without_probe,
)
from monitord.model.job_files.defaults import GOAL_METRICS, JobDefaults, latest_calibration, latest_placement
from monitord.model.jobs import Goal, JobFile, Location, LocationKind, Placement
from monitord.model.units import unit_in
from monitord.store import jobs as stored_jobs
from monitord.store.last_seen import probes_seen, unplaced
from monitord.web.page_context import Web, job_url, utc_times
from monitord.web.queries import JobState, load_jobs, seen_jobs, visible_probes
from monitord.web.routes.pages import Id
from monitord.web.routes.typed import FormError, Typed, TypedForm, as_form_errors, start_of
from monitord.web.text.formats import length
from monitord.web.text.local_time import LocalTimes
from monitord.web.views.place_view import labels_of, loose_probes, place_rows, standing_rows, usual_goals
from monitord.web.visitor import reader_units, visitor


class PlaceRoutes:
    """The pages and forms, each a method."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/place", self.which_job, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/place", self.form, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/place", self.place, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/remove", self.remove, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/probes/labels", self.labels, response_class=HTMLResponse)
        return router

    def which_job(self, probe: Id = None) -> Response:
        """Where a label leads: on to the job's form; which job, is asked only where several run."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            running = [state for state in load_jobs(conn, now) if not state.ended]
            if len(running) == 1:
                query = {"probe": probe} if probe else None
                return RedirectResponse(job_url(running[0].job.job, leaf="/place", query=query), status_code=303)
            there = {
                state.job.job: state.job.location(placement.location_id).label
                for state in running
                for placement in state.placements_now
                if placement.probe == probe
            }
            running.sort(key=lambda state: (state.job.job not in there, state.job.label.lower()))
            return self._web.page(
                conn, "which_job.html", now, states=running, probe=probe, there=there, t=utc_times(now)
            )

    def form(self, job_id: str, probe: Id = None, done: Id = None) -> HTMLResponse:
        """The form, its first step filled in where a label was scanned."""
        return self._form(job_id, {"probe": probe or "", "time": "now", "goal_by": "usual"}, done=done)

    def _form(
        self, job_id: str, typed: dict[str, str], status: int = 200, wrong: FormError | None = None, done: Id = None
    ) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            if state.ended:
                raise HTTPException(409, "This job has ended: nothing is placed in it any more.")
            times = LocalTimes(state.job.zone, now)
            return self._web.page(
                conn,
                "place.html",
                now,
                status,
                state=state,
                t=times,
                typed=typed,
                wrong=wrong,
                loose=loose_probes(state, unplaced(conn), typed.get("probe", "")),
                places=place_rows(state),
                standing=standing_rows(state),
                usual_goals=usual_goals(stored_jobs.job_defaults(conn)),
                rooms=[x for x in state.job.locations if x.kind is LocationKind.ROOM_AIR],
                done=_done(state, done),
                now_local=now.astimezone(state.job.zone).strftime("%Y-%m-%dT%H:%M"),
            )

    def place(self, job_id: str, typed: TypedForm) -> Response:
        """Keep what the form says; the same form again changes nothing."""
        now = self._web.clock.now()
        try:
            with as_form_errors(), self._web.db.write() as conn:
                state = self._web.job(conn, job_id, now)
                if state.ended:
                    raise HTTPException(409, "This job has ended: nothing is placed in it any more.")
                probe = self._save(conn, state, typed, now)
        except FormError as error:
            return self._form(job_id, typed.values, 422, error)
        return RedirectResponse(job_url(job_id, {"done": probe}, "/place"), status_code=303)

    def _save(self, conn: Connection, state: JobState, typed: Typed, now: datetime) -> str:
        job, at = state.job, start_of(typed, state.job, now)
        usual = stored_jobs.job_defaults(conn)
        probe = typed["other_probe"] if typed["probe"] in ("", "other") else typed["probe"]
        if not probe:
            raise FormError("probe", "Choose a probe, or type what stands on its label.")
        known = next((p for p in job.probes if p.probe == probe and p.from_time == at), None)
        if typed["place"] == "new":
            again = next((x for x in job.locations if known is not None and x.id == known.location_id), None)
            if again is None or again.name != typed["name"]:
                made = _new_location(typed, job, at, usual)
                job = with_location(job, made)
                where = made.id
            else:
                where = again.id
        else:
            where = typed["place"]
            there = next((x for x in job.locations if x.id == where), None)
            if there is None:
                raise FormError("place", "Choose where it goes, or a new location.")
            if not job.placements_at(where):
                _refuse_hole_unseen(there.kind, typed)
        everywhere = stored_jobs.list_jobs(conn)
        self._free_elsewhere(conn, job.job, probe, at, move=bool(typed["move"]))
        placement = Placement.model_validate({"id": probe, "location_id": where, "from": at})
        placement = usual.placement(placement, latest_placement(everywhere, probe))
        changed = with_probe(job, placement, swap=bool(typed["swap"]))
        correction = latest_calibration(everywhere, probe)
        if correction is not None:
            changed = with_calibration(changed, correction)
        if stored_jobs.apply_job(conn, changed) != "unchanged":
            label = changed.location(where).label
            self._web.note(conn, "placed a probe", job.job, f"{probe} at {label} from {at:%Y-%m-%dT%H:%MZ}")
        return probe

    def _free_elsewhere(self, conn: Connection, job: str, probe: str, at: datetime, *, move: bool) -> None:
        """End the probe's placement in another job, where that is wished and the visitor may change that job."""
        for elsewhere, location in stored_jobs.placements_elsewhere(conn, job, probe, at):
            if not visitor().may_see(elsewhere):
                raise FormError("move", f"{probe} is placed in another job. Nothing was changed.")
            other = stored_jobs.needed_job(conn, elsewhere)
            if not move:
                raise FormError(
                    "move",
                    f"{probe} is placed in {other.label}, at {other.location(location).label}. Nothing was changed; "
                    "tick below to move it here.",
                )
            stored_jobs.apply_job(conn, without_probe(other, probe, at))
            self._web.note(conn, "moved a probe away", elsewhere, f"{probe} from {at:%Y-%m-%dT%H:%MZ}")

    def remove(self, job_id: str, probe: Annotated[str, Form(max_length=128)] = "") -> RedirectResponse:
        """Take a probe away now; its readings stay."""
        now = self._web.clock.now().replace(microsecond=0)
        with self._web.db.write() as conn:
            state = self._web.job(conn, job_id, now)
            if not any(p.probe == probe for p in state.placements_now):
                raise HTTPException(404, f"Probe {probe!r} does not stand in this job now.")
            try:
                stored_jobs.apply_job(conn, without_probe(state.job, probe, now))
            except JobFileError as error:
                raise HTTPException(422, f"{error.message}.") from error
            self._web.note(conn, "took a probe away", job_id, f"{probe} from {now:%Y-%m-%dT%H:%MZ}")
        return RedirectResponse(f"{job_url(job_id)}/place#standing", status_code=303)

    def labels(self, probe: Annotated[list[str] | None, Query(max_length=128)] = None) -> HTMLResponse:
        """Labels to print and stick on probes; each holds the link to its form."""
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            known = visible_probes(probes_seen(conn), seen_jobs(conn))
            loose = unplaced(conn)
            ids = probe or sorted({one.probe for one in (*known, *loose)})
            base = (self._web.settings.web.public_url or "").rstrip("/")
            return self._web.page(conn, "labels.html", now, labels=labels_of(ids, base), base=base, t=utc_times(now))


def _new_location(typed: Typed, job: JobFile, at: datetime, usual: JobDefaults) -> Location:
    name = typed.named("name", "the location a name, as you would say it")
    try:
        kind = LocationKind(typed["kind"])
    except ValueError:
        raise FormError("kind", "Choose what kind of location it is.") from None
    _refuse_hole_unseen(kind, typed)
    known = {x.id for x in job.locations}
    values: dict[str, Any] = {"id": new_id(name, known), "name": name, "kind": kind, "goal": _goal(typed, kind, usual)}
    if typed["reference"] in known and kind is not LocationKind.OUTDOOR_AIR:
        values["reference"] = typed["reference"]
    if kind is LocationKind.SLAB_SLEEVE:
        values |= _sleeve(typed, at)
    return Location.model_validate(values)


def _refuse_hole_unseen(kind: LocationKind, typed: Typed) -> None:
    if kind in DRILLED_KINDS and not (typed["electricity"] and typed["asbestos"]):
        raise FormError("electricity", "Tick both cautions before a hole is drilled. Nothing was saved.")


def _goal(typed: Typed, kind: LocationKind, usual: JobDefaults) -> Goal | None:
    if typed["goal_by"] == "usual":
        return usual.goal(kind)
    limit = typed.number("goal", 1, 300 if kind is LocationKind.MATERIAL else 100, "%")
    if typed["goal_by"] == "none" or kind not in GOAL_METRICS:
        return None
    if limit is None and typed["goal_by"] == "own":
        raise FormError("goal", "Give the goal, or choose that there is none.")
    return None if limit is None else Goal(metric=GOAL_METRICS[kind], limit=limit)


def _sleeve(typed: Typed, at: datetime) -> dict[str, Any]:
    units = reader_units()
    thickness = typed.measured("thickness", 10.0, 2000.0, "mm", units)
    depth = typed.measured("depth", 5.0, 2000.0, "mm", units)
    if depth is None:
        raise FormError("depth", f"Give the depth of the sleeve below the drying face, in {unit_in('mm', units)}.")
    if thickness is not None and depth >= thickness:
        deep, thick = (length(one, units) for one in (depth, thickness))
        raise FormError("depth", f"{deep} is not less than the slab's {thick}.")
    return {
        "depth_mm": depth,
        "slab_thickness_mm": thickness,
        "drying_sides": 2 if typed["sides"] == "2" else 1,
        "installed_at": at,
        "sealed_at": at,
    }


def _done(state: JobState, probe: str | None) -> Placement | None:
    found = [p for p in state.job.probes if probe is not None and p.probe == probe and p.to_time is None]
    return found[0] if found else None
