"""A round of spot readings on one screen: method and instrument once, then one number for each location."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import ValidationError

from monitord.model.jobs import AIR_KINDS, JobFile, Location
from monitord.model.site.spots import SCALES, Spot, SpotKind
from monitord.model.units import unit_in, value_from, value_in
from monitord.store import jobs as stored_jobs
from monitord.web.page_context import Web, job_url
from monitord.web.queries import JobState
from monitord.web.routes.typed import FormError, Typed, pressed_at
from monitord.web.text.formats import number
from monitord.web.text.local_time import LocalTimes
from monitord.web.visitor import reader_units, visitor

_FIELD = "v-"
SPECIES = ("softwood", "hardwood", "wood-based board")
"""Groups that pin meters have settings for; a species may be typed as well (common practice)."""


@dataclass(frozen=True)
class Method:
    """One way to measure: what is read, its unit, and what its instruments can show."""

    kind: SpotKind
    words: str
    low: float
    high: float
    jump: float
    """A change since the last round that is worth a second look (our choice). [as the value]"""
    help: str = ""
    has_depth: bool = True

    @property
    def unit(self) -> str:
        """Unit of its values."""
        return SCALES[self.kind].unit

    @property
    def read(self) -> str:
        """The unit that the reader types and reads."""
        return unit_in(self.unit, reader_units())

    def suits(self, location: Location) -> bool:
        """Whether it is asked for at a location: only humidity is measured in air."""
        return self.kind is SpotKind.RELATIVE_HUMIDITY or location.kind not in AIR_KINDS


_COMPARE = "Compare with the control, read by the same meter; it is no moisture content."
METHODS = {
    "pins": Method(
        SpotKind.WOOD_MOISTURE, "Wood moisture, pins", 5.0, 100.0, 5.0,
        "Pins along the grain, away from knots and fixings.",
    ),
    "wme": Method(SpotKind.WOOD_EQUIVALENT, "Wood scale on other material", 5.0, 100.0, 5.0, _COMPARE),
    "plaster": Method(SpotKind.PLASTER, "Plaster and gypsum scale", 0.0, 60.0, 2.0, _COMPARE),
    "concrete": Method(
        SpotKind.CONCRETE, "Concrete, impedance", 0.0, 10.0, 1.0,
        "On clean bare concrete, pressed down (ASTM F2659). It reads the upper part: for a covering, sleeves decide.",
        has_depth=False,
    ),
    "rh": Method(
        SpotKind.RELATIVE_HUMIDITY, "Relative humidity", 0.0, 100.0, 10.0, "Wait until the number stands still.",
        has_depth=False,
    ),
    "surface": Method(SpotKind.SURFACE_TEMPERATURE, "Surface temperature", -30.0, 70.0, 8.0, has_depth=False),
}  # fmt: skip
"""Ranges of common instruments, so that a slip of the finger is noticed (our choice)."""


@dataclass(frozen=True)
class Row:
    """One location of the round."""

    id: str
    label: str
    last: str
    typed: str
    refused: str


@dataclass(frozen=True)
class SavedRow:
    """One value that was saved."""

    label: str
    value: str
    change: str
    """Since the last time, where that is worth a second look."""


class SpotRoutes:
    """The page and its form."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/jobs/{job_id}/round", self.form, response_class=HTMLResponse)
        router.add_api_route("/jobs/{job_id}/round", self.save, methods=["POST"], response_class=HTMLResponse)
        return router

    def form(self, job_id: str, method: str = "pins", saved: datetime | None = Query(default=None)) -> HTMLResponse:  # noqa: B008
        """The round of one method; after saving, what was saved."""
        return self._form(job_id, {"method": method if method in METHODS else "pins"}, {}, saved=saved)

    def _form(
        self,
        job_id: str,
        typed: dict[str, str],
        refused: dict[str, str],
        status: int = 200,
        saved: datetime | None = None,
    ) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            times, method = LocalTimes(state.job.zone, now), METHODS[typed["method"]]
            first, rest = _rows(state, method, typed, refused, times)
            return self._web.page(
                conn,
                "round.html",
                now,
                status,
                state=state,
                t=times,
                methods=METHODS,
                chosen=typed["method"],
                method=method,
                typed=typed,
                first=first,
                rest=rest,
                refused=refused,
                saved=_saved(state.job, method, saved),
                species=SPECIES,
                instrument=typed.get("instrument") or _last_instrument(state.job, method),
            )

    async def save(self, request: Request, job_id: str) -> Response:
        """Keep the round; nothing of it where one value is refused."""
        form = await request.form()
        typed = {name: str(value)[:500] for name, value in form.items()}
        if typed.get("method") not in METHODS:
            raise HTTPException(422, "Choose what is measured.")
        return await run_in_threadpool(self._save, job_id, typed)

    def _save(self, job_id: str, typed: dict[str, str]) -> Response:
        now = self._web.clock.now()
        at = pressed_at(typed.get("pressed", ""), now).replace(microsecond=0)
        with self._web.db.write() as conn:
            state = self._web.job(conn, job_id, now)
            if state.ended:
                raise HTTPException(409, "This job has ended: nothing is added to it any more.")
            spots, refused = _spots(state.job, typed, at)
            if not spots and not refused:
                refused = {"": "No value was typed. Nothing was saved."}
            if not refused:
                fresh = tuple(spot for spot in spots if spot not in state.job.spots)
                changed = state.job.model_copy(update={"spots": (*state.job.spots, *fresh)})
                if stored_jobs.apply_job(conn, changed) != "unchanged":
                    self._web.note(conn, "took spot readings", job_id, f"{len(fresh)} of {typed['method']}")
        if refused:
            return self._form(job_id, typed, refused, 422)
        query = {"method": typed["method"], "saved": at.isoformat()}
        return RedirectResponse(job_url(job_id, query, "/round"), status_code=303)


def _spots(job: JobFile, typed: dict[str, str], at: datetime) -> tuple[list[Spot], dict[str, str]]:
    """The values that were typed, and why some are refused, by location."""
    method, spots, refused = METHODS[typed["method"]], [], {}
    head: dict[str, Any] = {"at": at, "kind": method.kind}
    head |= {name: typed.get(name, "").strip() for name in ("instrument", "note")}
    head["by"] = visitor().name
    try:
        if method.has_depth:
            head["depth_mm"] = Typed(typed).measured("depth", 0.1, 2000.0, "mm", reader_units())
        if method.kind is SpotKind.WOOD_MOISTURE:
            head["corrected_for"] = _set_to(Typed(typed))
    except FormError as error:
        return [], {error.name: error.words}
    for location in job.locations:
        text = typed.get(_FIELD + location.id, "").strip().replace(",", ".")
        if not text:
            continue
        try:
            value = value_from(float(text), method.unit, reader_units())
        except ValueError:
            refused[location.id] = f"“{text}” is not a number."
            continue
        if not method.low <= value <= method.high:
            refused[location.id] = _impossible(method, float(text))
            continue
        try:
            spots.append(Spot.model_validate(head | {"location_id": location.id, "value": value}))
        except ValidationError as error:
            refused[location.id] = f"{error.errors()[0]['msg'].removeprefix('Value error, ')}."
    return spots, refused


def _set_to(typed: Typed) -> str:
    """Species group and wood temperature that a pin meter was set to; both or neither."""
    celsius = typed.measured("wood_temperature", -20.0, 60.0, "°C", reader_units())
    if bool(typed["species"]) != (celsius is not None):
        missing = "wood_temperature" if typed["species"] else "species"
        raise FormError(missing, "Give both, or neither: the correction needs species and temperature.")
    return f"{typed['species']}, {celsius:.3g} °C" if celsius is not None else ""


def _impossible(method: Method, value: float) -> str:
    low, high, unit = (*(value_in(one, method.unit, reader_units()) for one in (method.low, method.high)), method.read)
    meant = next((value / by for by in (10.0, 100.0) if low <= value / by <= high), None)
    guess = f" Did you mean {meant:g}?" if meant is not None else ""
    return f"{value:g} {unit} is outside {low:g} to {high:g} {unit}.{guess} Not saved."


def _rows(
    state: JobState, method: Method, typed: dict[str, str], refused: dict[str, str], times: LocalTimes
) -> tuple[list[Row], list[Row]]:
    """Controls, and the other locations; those measured that way before come first."""
    goals = (goal for x in state.job.locations for goal in (x.goal, x.spot_goal) if goal is not None)
    controls = {goal.control for goal in goals if goal.control is not None}
    first, rest = [], []
    for location in state.job.locations:
        last = _last(state.job, location, method)
        words = "not measured this way yet" if last is None else f"{times.stamp(last.at)}: {_value(last, method)}"
        goal = location.spot_goal
        if goal is not None and goal.kind is method.kind:
            words += f"; goal {goal.limit:g} {method.unit}" + (" over the control" if goal.control is not None else "")
        text = typed.get(_FIELD + location.id, "")
        row = Row(location.id, location.label, words, text, refused.get(location.id, ""))
        if not method.suits(location):
            continue
        if location.id in controls:
            first.append(row)
        else:
            rest.append((last is None, row))
    return first, [row for _, row in sorted(rest, key=lambda pair: pair[0])]


def _last(job: JobFile, location: Location, method: Method, before: datetime | None = None) -> Spot | None:
    found = [s for s in job.spots_at(location.id) if s.kind is method.kind and (before is None or s.at < before)]
    return found[-1] if found else None


def _last_instrument(job: JobFile, method: Method) -> str:
    found = sorted((s for s in job.spots if s.kind is method.kind and s.instrument), key=lambda s: s.at)
    return found[-1].instrument if found else ""


def _value(spot: Spot, method: Method) -> str:
    return f"{number(value_in(spot.value, method.unit, reader_units()), 1)} {method.read}"


def _saved(job: JobFile, method: Method, at: datetime | None) -> list[SavedRow]:
    if at is None:
        return []
    when = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
    rows = []
    for location in job.locations:
        for spot in job.spots_at(location.id):
            if spot.at == when and spot.kind is method.kind:
                before = _last(job, location, method, spot.at)
                rows.append(SavedRow(location.label, _value(spot, method), _change(spot, before, method)))
    return rows


def _change(spot: Spot, before: Spot | None, method: Method) -> str:
    if before is None or abs(spot.value - before.value) < method.jump:
        return ""
    way = "up" if spot.value > before.value else "down"
    now, then = (value_in(one.value, method.unit, reader_units()) for one in (spot, before))
    return f"{way} {number(abs(now - then), 1)} since the last time; possible, but measure again 3 cm beside it"
