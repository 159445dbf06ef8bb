"""A location edited by form: its name, the air it is compared with, and its goals."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.errors import JobFileError
from monitord.model.job_files.changes import with_location_changed
from monitord.model.job_files.checks import SUITS, remarks
from monitord.model.jobs import AIR_KINDS, OVER_CONTROL, Goal, GoalMetric, JobFile, Location
from monitord.model.site.spots import SCALES, SpotGoal, SpotKind
from monitord.model.units import unit_in, value_in
from monitord.store import jobs as stored_jobs
from monitord.web.page_context import Web, location_url
from monitord.web.routes.pages import location_of
from monitord.web.routes.typed import FormError, Typed, TypedForm, as_form_errors
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import spelled
from monitord.web.views.damage_view import SPOT_KINDS
from monitord.web.visitor import reader_units

METRICS = {
    GoalMetric.EQUILIBRIUM_RH: "Equilibrium RH, %",
    GoalMetric.RH: "Relative humidity, %",
    GoalMetric.VAPOUR_PRESSURE_EXCESS: "Vapour pressure over the other air, Pa",
    GoalMetric.TIMBER_MOISTURE: "Timber, % MC",
    GoalMetric.RH_OVER_CONTROL: "Relative humidity over the control, %",
    GoalMetric.TIMBER_OVER_CONTROL: "Timber over the control, % MC",
}
_JUDGED = frozenset(SpotKind) - {SpotKind.SURFACE_TEMPERATURE}
_MAX_PA = 5000.0


class LocationFormRoutes:
    """The form."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        path = "/jobs/{job_id}/locations/{location_id}/edit"
        router.add_api_route(path, self.form, response_class=HTMLResponse)
        router.add_api_route(path, self.change, methods=["POST"], response_class=HTMLResponse)
        return router

    def form(self, job_id: str, location_id: str) -> HTMLResponse:
        """The form, filled in with what holds."""
        return self._form(job_id, location_id, None)

    def _form(
        self, job_id: str, location_id: str, typed: dict[str, str] | None, wrong: FormError | None = None
    ) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            state = self._web.job(conn, job_id, now)
            location = location_of(state, location_id)
            others = [one for one in state.job.locations if one.id != location.id]
            return self._web.page(
                conn,
                "edit_location.html",
                now,
                422 if wrong is not None else 200,
                state=state,
                t=LocalTimes(state.job.zone, now),
                location=location,
                typed=_held(location) if typed is None else typed,
                wrong=wrong,
                others=others,
                is_air=location.kind in AIR_KINDS,
                metrics={metric: _read(words) for metric, words in METRICS.items() if metric in SUITS[location.kind]},
                spot_kinds={kind: words for kind, words in SPOT_KINDS.items() if kind in _JUDGED},
                scale_units={kind: scale.unit for kind, scale in SCALES.items()},
            )

    def change(self, job_id: str, location_id: str, typed: TypedForm) -> Response:
        """Keep what the form says; the same again changes nothing."""
        now = self._web.clock.now()
        try:
            with as_form_errors(), self._web.db.write() as conn:
                state = self._web.job(conn, job_id, now)
                location = location_of(state, location_id)
                changed = with_location_changed(state.job, _changed(location, typed))
                _refuse_what_misleads(state.job, changed, now)
                if stored_jobs.apply_job(conn, changed) != "unchanged":
                    self._web.note(conn, "changed a location", job_id, _said(changed.location(location_id)))
        except FormError as error:
            return self._form(job_id, location_id, typed.values, error)
        return RedirectResponse(location_url(job_id, location_id), status_code=303)


def _unit_of(metric: GoalMetric) -> str:
    return "Pa" if metric is GoalMetric.VAPOUR_PRESSURE_EXCESS else "%"


def _read(words: str) -> str:
    """What a goal is of, in the reader's unit."""
    return spelled(words.replace(", Pa", f", {unit_in('Pa', reader_units())}"))


def _held(location: Location) -> dict[str, str]:
    """What a location has, as the form's fields."""
    held = {"name": location.name, "reference": location.reference or ""}
    if location.volume_m3 is not None:
        held["volume"] = f"{value_in(location.volume_m3, 'm³', reader_units()):.4g}"
    if location.air_changes_per_h is not None:
        held["changes"] = f"{location.air_changes_per_h:g}"
    if location.goal is not None:
        goal = location.goal
        limit = value_in(goal.limit, _unit_of(goal.metric), reader_units())
        held |= {"metric": goal.metric.value, "limit": f"{limit:.4g}", "window": f"{goal.window_h:g}"}
        held["control"] = goal.control or ""
    if location.spot_goal is not None:
        spot = location.spot_goal
        held |= {"spot_kind": spot.kind.value, "spot_limit": f"{spot.limit:g}", "spot_control": spot.control or ""}
    return held


def _changed(location: Location, typed: Typed) -> Location:
    changes: dict[str, Any] = {"name": typed.named("name", "the location a name, as you would say it")}
    if location.is_room:
        changes["volume_m3"] = typed.measured("volume", 1.0, 100_000.0, "m³", reader_units())
        changes["air_changes_per_h"] = typed.number("changes", 0.01, 50.0, "an hour")
    if location.kind not in AIR_KINDS:
        changes |= {
            "reference": typed["reference"] or None,
            "goal": _goal(typed, location),
            "spot_goal": _spot_goal(typed),
        }
    return Location.model_validate(location.model_copy(update=changes).model_dump())


def _goal(typed: Typed, location: Location) -> Goal | None:
    if not typed["metric"]:
        return None
    if typed["metric"] not in tuple(GoalMetric):
        raise FormError("metric", "Choose what the goal is of.")
    metric = GoalMetric(typed["metric"])
    unit = _unit_of(metric)
    limit = typed.measured("limit", 0.0, _MAX_PA if unit == "Pa" else 300.0, unit, reader_units())
    if limit is None:
        raise FormError("limit", "Give the limit at which drying is complete.")
    held = _held(location)
    if location.goal is not None and (held["metric"], held["limit"]) == (typed["metric"], typed["limit"]):
        limit = location.goal.limit  # to the last digit, which the reader's unit does not show
    window = typed.number("window", 1.0, 1440.0, "h")
    over = metric in OVER_CONTROL
    if over and not typed["control"]:
        raise FormError("control", "Choose the control: like material known to be dry.")
    values = {"metric": metric, "limit": limit, "control": typed["control"] if over else None}
    return Goal.model_validate(values | ({} if window is None else {"window_h": window}))


def _spot_goal(typed: Typed) -> SpotGoal | None:
    if not typed["spot_kind"]:
        return None
    if typed["spot_kind"] not in tuple(SpotKind):
        raise FormError("spot_kind", "Choose which readings the goal is of.")
    limit = typed.number("spot_limit", 0.0, 300.0, "%")
    if limit is None:
        raise FormError("spot_limit", "Give the limit at which drying is complete.")
    return SpotGoal(kind=SpotKind(typed["spot_kind"]), limit=limit, control=typed["spot_control"] or None)


def _refuse_what_misleads(before: JobFile, job: JobFile, now: datetime) -> None:
    known = {remark.words for remark in remarks(before, now)}
    for remark in remarks(job, now):
        if remark.refused and remark.words not in known:
            raise JobFileError(remark.what, remedy=remark.remedy)


def _said(location: Location) -> str:
    goal = "no goal" if location.goal is None else f"{location.goal.metric.value} {location.goal.limit:g}"
    spot = "" if location.spot_goal is None else f", {location.spot_goal.kind.value} {location.spot_goal.limit:g}"
    return f"{location.label}: {goal}{spot}, compared with {location.reference or 'no reference'}"
