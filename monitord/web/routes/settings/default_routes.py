"""What new jobs, locations and slabs begin with in this firm: one form."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitord.model.job_files.defaults import GOAL_METRICS, JobDefaults
from monitord.model.jobs import LocationKind
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.units import size_in
from monitord.store import jobs as stored_jobs
from monitord.web.page_context import Web, utc_times
from monitord.web.routes.form_parts import accuracy_of, held_service, service_of, slab_criteria
from monitord.web.routes.typed import Fields, FormError, Typed, TypedForm, as_form_errors
from monitord.web.visitor import reader_units

_PATH = "/settings/defaults"
KINDS = {
    LocationKind.SLAB_SLEEVE: "Slab sleeve, % RH",
    LocationKind.CAVITY: "Wall cavity, % RH",
    LocationKind.SUBFLOOR_VOID: "Void under a floor, % RH",
    LocationKind.MATERIAL: "Timber, % MC",
}
_MAX_MIN = 1440.0


class DefaultRoutes:
    """The page and its form."""

    def __init__(self, web: Web, criteria: CriteriaBook) -> None:
        self._web = web
        self._criteria = slab_criteria(criteria)

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route(_PATH, self.page, response_class=HTMLResponse)
        router.add_api_route(_PATH, self.save, methods=["POST"], response_class=HTMLResponse)
        return router

    def page(self, saved: Annotated[bool, Query()] = False) -> HTMLResponse:
        """The form, filled in with what holds."""
        return self._page(None, saved=saved)

    def _page(
        self, typed: dict[str, str] | None, wrong: FormError | None = None, *, saved: bool = False
    ) -> HTMLResponse:
        now = self._web.clock.now()
        with self._web.db.read() as conn:
            return self._web.page(
                conn,
                "defaults.html",
                now,
                422 if wrong is not None else 200,
                t=utc_times(now),
                typed=_held(stored_jobs.job_defaults(conn)) if typed is None else typed,
                wrong=wrong,
                saved=saved,
                kinds=KINDS,
                criteria=self._criteria,
            )

    def save(self, typed: TypedForm) -> Response:
        """Keep what the form says; jobs that are there stay as they are."""
        try:
            with as_form_errors(), self._web.db.write() as conn:
                made = self._made(typed)
                if made != stored_jobs.job_defaults(conn):
                    stored_jobs.keep_job_defaults(conn, made)
                    self._web.note(conn, "changed the defaults", None, made.model_dump_json(exclude_none=True))
        except FormError as error:
            return self._page(typed.values, error)
        return RedirectResponse(f"{_PATH}?saved=1", status_code=303)

    def _made(self, typed: Typed) -> JobDefaults:
        if typed["criteria"] and typed["criteria"] not in self._criteria:
            raise FormError("criteria", "Choose criteria that there are, or none.")
        limits = {
            kind: typed.number(f"goal-{kind.value}", 1.0, 300.0 if kind is LocationKind.MATERIAL else 100.0, "%")
            for kind in GOAL_METRICS
        }
        minutes = typed.number("interval", 0.1, _MAX_MIN, "min")
        return JobDefaults.model_validate(
            {
                "timezone": typed["timezone"] or None,
                "elevation_m": typed.number("elevation", -450.0, 5000.0, "m"),
                "calibration_valid_d": typed.number("valid", 1.0, 3660.0, "days"),
                "limits": {kind: limit for kind, limit in limits.items() if limit is not None},
                "accuracy": accuracy_of(typed, "Give both ± limits, or neither."),
                "interval_s": None if minutes is None else 60.0 * minutes,
                "criteria": typed["criteria"] or None,
                "guard_factor": typed.number("guard", 0.0, 3.0, "standard uncertainties"),
                "service": service_of(typed),
            }
        )


def _held(known: JobDefaults) -> dict[str, str]:
    """What holds, as the form's fields."""
    numbers = {
        "elevation": known.elevation_m,
        "valid": known.calibration_valid_d,
        "guard": known.guard_factor,
        "interval": None if known.interval_s is None else known.interval_s / 60.0,
        **{f"goal-{kind.value}": limit for kind, limit in known.limits.items()},
    }
    if known.accuracy is not None:
        numbers["u_temperature"] = size_in(known.accuracy.temperature_c, "K", reader_units())
        numbers["u_humidity"] = known.accuracy.relative_humidity_pct
    texts = {name: f"{value:.6g}" for name, value in numbers.items() if value is not None}
    return Fields(
        texts | held_service(known.service) | {"timezone": known.timezone or "", "criteria": known.criteria or ""}
    )
