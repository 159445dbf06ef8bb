"""A cold surface against the air that touches it, now: how likely it condenses, and since when."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.air.comparison import Present
from monitord.analysis.series.times import DAY_S, utc
from monitord.analysis.surfaces.cold_surface import ColdSurface
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.analysis.surfaces.surface_of_readings import Place, surfaces_of_readings
from monitord.model.assessments import Facts, Finding, Quantity, SurfaceRisk
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_slope, vapour_pressure
from monitord.physics.surfaces import probability_of_condensation, surface_relative_humidity


def risk_level(probability: float, margin_k: float, surface_rh_pct: float, options: AnalysisOptions) -> str:
    """`act`: condensing more likely than not; `warn`: near it; `watch`: humid enough for mould; else `none`."""
    if probability >= options.condensation_probability_act:
        return "act"
    if probability >= options.condensation_probability_warn or margin_k < options.margin_warn_k:
        return "warn"
    return "watch" if surface_rh_pct >= options.surface_rh_watch_pct else "none"


def _hours_at_risk(time_s: Array, risky: NDArray[np.bool_], interval_s: float) -> float:
    """Hours of the last day with condensation more likely than not; a gap counts as one interval only."""
    recent = time_s > time_s[-1] - DAY_S
    held = np.minimum(np.diff(time_s[recent], append=time_s[-1] + interval_s), SURFACES.held_intervals * interval_s)
    return min(float(np.sum(held[risky[recent]])) / 3600.0, 24.0)


def surface_risks(places: Sequence[Place], options: AnalysisOptions) -> list[tuple[SurfaceRisk, Finding] | None]:
    """Condensation risk of the surface at each place, and the finding about it; None where no surface is known.

    The air in contact is the location's own. The probability is that of a margin at or below zero, the margin taken
    as normal with the propagated uncertainty (JCGM 106:2012).
    """
    # from a probability of one half on: the sign of the margin decides, whatever its uncertainty
    by_sign = options.condensation_probability_act == 1 / 2
    lately = [_of_last_day(place) if place.has_surface else None for place in places]
    surfaces = iter(surfaces_of_readings([place for place in lately if place is not None], options, by_sign))
    return [None if place is None else _risk_and_finding(place.present, next(surfaces), options) for place in lately]


def _of_last_day(place: Place) -> Place:
    present = place.present
    return place._replace(present=present.last(DAY_S + SURFACES.held_intervals * present.interval_s))


def _risk_and_finding(
    present: Present, found: ColdSurface | None, options: AnalysisOptions
) -> tuple[SurfaceRisk, Finding] | None:
    if found is None or not math.isfinite(found.u_margin_k[-1]):
        return None
    known = np.isfinite(found.margin_k)
    time_s, margin, u_margin = present.series.time_s[known], found.margin_k[known], found.u_margin_k[known]
    minimum = options.condensation_probability_act
    condensing = margin <= 0.0 if minimum == 1 / 2 else probability_of_condensation(margin, u_margin) >= minimum
    hours, since_s, readings = 0.0, None, 1
    if condensing.any():
        hours = _hours_at_risk(time_s, condensing, present.interval_s)
        if condensing[-1]:
            run = int(np.flatnonzero(~condensing)[-1]) + 1 if not condensing.all() else 0
            since_s, readings = float(time_s[run]), len(time_s) - run
    probability = float(probability_of_condensation(float(margin[-1]), float(u_margin[-1])))
    risk = _risk(present, found, probability, hours, since_s, options)
    return risk, _finding(present, risk, readings)


def _risk(
    present: Present,
    found: ColdSurface,
    probability: float,
    hours: float,
    since_s: float | None,
    options: AnalysisOptions,
) -> SurfaceRisk:
    t = float(present.series.temperature_c[-1])
    rh = max(float(present.series.relative_humidity_pct[-1]), SURFACES.min_surface_rh_pct)
    over = present.humidity_over.value
    surface, margin, u_margin = float(found.temperature_c[-1]), float(found.margin_k[-1]), float(found.u_margin_k[-1])
    surface_rh = float(surface_relative_humidity(surface, float(vapour_pressure(t, rh, humidity_over=over))))
    # at a small margin ln RH changes with it as the saturation curve does, so the margin's uncertainty carries over
    u_surface_rh = surface_rh * float(saturation_slope(surface)) * u_margin
    return SurfaceRisk(
        at=utc(present.time_s),
        source=found.source(),
        what=found.what,
        surface_temperature=Quantity(value=surface, u=float(found.u_k[-1]), unit="°C"),
        dew_point=Quantity(value=surface - margin, u=float(found.u_dew_point_k[-1]), unit="°C"),
        margin=Quantity(value=margin, u=u_margin, unit="K"),
        surface_rh=Quantity(value=surface_rh, u=u_surface_rh, unit="%"),
        probability=probability,
        hours_at_risk=hours,
        level=risk_level(probability, margin, surface_rh, options),
        since=utc(since_s) if since_s is not None else None,
    )


def _finding(present: Present, risk: SurfaceRisk, readings: int) -> Finding:
    return Finding(
        kind=FindingKind.CONDENSATION,
        location=present.location.id,
        measured_at=risk.at,
        value=risk.probability,
        unit="probability",
        readings=readings,
        since=risk.since,
        interval_s=present.interval_s,
        facts=Facts(
            value=risk.margin,
            since=risk.since,
            chance=risk.probability,
            surface=risk.what,
            surface_temperature=risk.surface_temperature,
            dew_point=risk.dew_point,
            margin=risk.margin,
        ),
    )
