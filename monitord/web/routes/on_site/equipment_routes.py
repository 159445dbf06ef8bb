"""Equipment on site: set up, emptied, taken out."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.errors import JobFileError
from monitord.model.job_files.changes import new_id, with_equipment, with_water, without_equipment
from monitord.model.jobs import VOID_KINDS, JobFile, LocationKind
from monitord.model.site.equipment import Equipment, EquipmentKind, Water
from monitord.model.units import unit_in
from monitord.store import jobs as stored_jobs
from monitord.web.page_context import Web, job_url
from monitord.web.queries import JobState
from monitord.web.routes.typed import FormError, Typed, TypedForm, as_form_errors, plain_error, pressed_at, start_of
from monitord.web.text.local_time import LocalTimes
from monitord.web.views.equipment_view import KINDS, equipment_rows, room_water
from monitord.web.visitor import visitor

_FIELD, _HOW = "w-", "how-"
_WORKED_ON = frozenset({LocationKind.ROOM_AIR, *VOID_KINDS})
"""Where a machine may work: on the air of a room, or blowing into a void."""
_MAX_TANK_L, _MAX_METER_L, _MAX_RATED = 200.0, 1e6, 1000.0
"""What a tank or drum holds, a meter shows and a machine is rated for at most (our choice). [L, L, L/day]"""


class EquipmentRoutes:
    """The pages and their forms, each a method."""

    def __init__(self, web: Web) -> None:
        self._web = web
        self._units = web.settings.web.units

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/equipment", self.page, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/equipment", self.save, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/equipment/new", self.new, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/equipment/new", self.set_up, methods=["POST"], response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/equipment/out", self.take_out, methods=["POST"])
        return router

    def page(self, job_id: str, saved: Annotated[str, Query(max_length=20)] = "") -> HTMLResponse:
        """What stands where, and the round of tanks and meters."""
        return self._page(job_id, {}, {}, saved=saved)

    def _page(self, job_id: str, typed: dict[str, str], refused: dict[str, str], *, saved: str = "") -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            rows = equipment_rows(state.job, now, self._units)
            return self._web.page(
                conn,
                "equipment.html",
                now,
                422 if refused else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                rows=rows,
                there=[row for row in rows if row.end is None],
                gone=[row for row in rows if row.end is not None],
                tanks=[row for row in rows if row.end is None and row.is_dehumidifier],
                rooms=room_water(state, self._web.settings.analysis.coverage, self._units),
                typed=typed,
                refused=refused,
                saved=saved,
                unit=unit_in("L", self._units),
            )

    def save(self, job_id: str, typed: TypedForm) -> Response:
        """Keep what was emptied or read; nothing of it where one value is refused."""
        now = self._web.clock.now()
        at = pressed_at(typed["pressed"], now).replace(microsecond=0)
        with self._web.db.write() as conn:
            state = self._web.job(conn, job_id, now)
            _refuse_ended(state)
            changed, refused, count = self._with_water(state.job, typed, at)
            if not count and not refused:
                refused = {"": "No amount was typed. Nothing was saved."}
            if not refused and stored_jobs.apply_job(conn, changed) != "unchanged":
                self._web.note(conn, "recorded water taken out", job_id, f"of {count} dehumidifiers")
        if refused:
            return self._page(job_id, typed.values, refused)
        return RedirectResponse(job_url(job_id, {"saved": "water"}, "/equipment"), status_code=303)

    def _with_water(self, job: JobFile, typed: Typed, at: datetime) -> tuple[JobFile, dict[str, str], int]:
        refused, count = {}, 0
        for item in [one for one in job.equipment if one.covers(at) and one.kind is EquipmentKind.DEHUMIDIFIER]:
            by_meter = typed[_HOW + item.id] == "meter"
            try:
                most = _MAX_METER_L if by_meter else _MAX_TANK_L
                litres = typed.measured(_FIELD + item.id, 0.0, most, "L", self._units)
                if litres is None:
                    continue
                amount = {"meter_l" if by_meter else "litres": litres}
                job = with_water(job, item.id, Water.model_validate({"at": at, "by": visitor().name, **amount}))
                count += 1
            except FormError as error:
                refused[item.id] = error.words
            except JobFileError as error:
                refused[item.id] = plain_error(error)
        return job, refused, count

    def new(self, job_id: str) -> HTMLResponse:
        """The form of a machine that was set up."""
        return self._new(job_id, {"kind": EquipmentKind.DEHUMIDIFIER.value, "time": "now"})

    def _new(self, job_id: str, typed: dict[str, str], wrong: FormError | None = None) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            _refuse_ended(state)
            rooms = [one for one in state.job.locations if one.kind in _WORKED_ON]
            rooms.sort(key=lambda one: one.kind is not LocationKind.ROOM_AIR)
            if len(rooms) == 1:
                typed = {"location": rooms[0].id} | typed
            names = sorted({item.label for item in state.job.equipment})
            return self._web.page(
                conn,
                "equipment_new.html",
                now,
                422 if wrong is not None else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                typed=typed,
                wrong=wrong,
                rooms=rooms,
                kinds=KINDS,
                names=names,
                unit=unit_in("L", self._units),
                now_local=now.astimezone(state.job.zone).strftime("%Y-%m-%dT%H:%M"),
            )

    def set_up(self, job_id: str, typed: TypedForm) -> Response:
        """Keep a machine that was set up; one of that name that stands elsewhere here is moved."""
        now = self._web.clock.now()
        try:
            with as_form_errors(), self._web.db.write() as conn:
                state = self._web.job(conn, job_id, now)
                _refuse_ended(state)
                item = self._item(state.job, typed, now)
                if stored_jobs.apply_job(conn, with_equipment(state.job, item)) != "unchanged":
                    where = state.job.location(item.location_id).label
                    said = f"{item.label} at {where} from {item.from_time:%Y-%m-%dT%H:%MZ}"
                    self._web.note(conn, "set up equipment", job_id, said)
        except FormError as error:
            return self._new(job_id, typed.values, error)
        return RedirectResponse(job_url(job_id, {"saved": "set-up"}, "/equipment"), status_code=303)

    def _item(self, job: JobFile, typed: Typed, now: datetime) -> Equipment:
        name = typed.named("name", "the machine a name, such as what stands on its label")
        if typed["location"] not in {one.id for one in job.locations}:
            raise FormError("location", "Choose where it stands.")
        if typed["kind"] not in {kind.value for kind in KINDS}:
            raise FormError("kind", "Choose what it does.")
        drier = typed["kind"] == EquipmentKind.DEHUMIDIFIER.value
        known = next((item.id for item in job.equipment if name in (item.name, item.id)), None)
        return Equipment.model_validate(
            {
                "id": known or new_id(name, {item.id for item in job.equipment}),
                "name": name,
                "kind": typed["kind"],
                "location_id": typed["location"],
                "from": start_of(typed, job, now),
                "rated_l_per_day": typed.measured("rated", 0.0, _MAX_RATED, "L", self._units) if drier else None,
                "by": visitor().name,
            }
        )

    def take_out(self, job_id: str, machine: Annotated[str, Form(max_length=128)] = "") -> RedirectResponse:
        """A machine is taken out now; what was recorded of it stays."""
        now = self._web.clock.now().replace(microsecond=0)
        with self._web.db.write() as conn:
            job = self._web.job(conn, job_id, now).job
            item = next((one for one in job.equipment if one.id == machine and one.covers(now)), None)
            if item is None:
                raise HTTPException(404, "That machine does not stand in this job now.")
            try:
                stored_jobs.apply_job(conn, without_equipment(job, machine, now))
            except JobFileError as error:
                raise HTTPException(422, f"{error.message}.") from error
            self._web.note(conn, "took equipment out", job_id, f"{item.label} from {now:%Y-%m-%dT%H:%MZ}")
        return RedirectResponse(job_url(job_id, leaf="/equipment"), status_code=303)


def _refuse_ended(state: JobState) -> None:
    if state.ended:
        raise HTTPException(409, "This job has ended: nothing is added to it any more.")
