"""A cold surface against the air that touches it, now: how likely it condenses, and since when."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.air.comparison import Present
from monitord.analysis.series.times import DAY_S, utc
from monitord.analysis.surfaces.cold_surface import ColdSurface, surface_of_readings
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.assessments import Facts, Finding, Quantity, SurfaceRisk
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_slope, vapour_pressure
from monitord.physics.surfaces import probability_of_condensation, surface_relative_humidity
from monitord.physics.uncertainty import u_dew_or_frost_point


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


def surface_risk(
    present: Present,
    room: Present | None,
    outdoor: Present | None,
    options: AnalysisOptions,
) -> tuple[SurfaceRisk, Finding] | None:
    """Condensation risk of the surface at a location, and the finding about it; None where no surface is known.

    The air in contact is the location's own. The probability is that of a margin at or below zero, the margin taken
    as normal with the propagated uncertainty (JCGM 106:2012).
    """
    if present.location.f_rsi is None and not np.isfinite(present.series.surface_temperature_c).any():
        return None
    present = present.last(DAY_S + SURFACES.held_intervals * present.interval_s)
    # from a probability of one half on: the sign of the margin decides, whatever its uncertainty
    minimum, by_sign = options.condensation_probability_act, options.condensation_probability_act == 1 / 2
    found = surface_of_readings(present, room, outdoor, options, newest_uncertainty_only=by_sign)
    if found is None or not np.isfinite(found.u_margin_k[-1]):
        return None
    known = np.isfinite(found.margin_k)
    time_s, margin, u_margin = present.series.time_s[known], found.margin_k[known], found.u_margin_k[known]
    condensing = margin <= 0.0 if by_sign else probability_of_condensation(margin, u_margin) >= minimum
    run = int(np.flatnonzero(~condensing)[-1]) + 1 if not condensing.all() else 0
    risk = _risk(
        present,
        found,
        float(probability_of_condensation(float(margin[-1]), float(u_margin[-1]))),
        _hours_at_risk(time_s, condensing, present.interval_s) if condensing.any() else 0.0,
        float(time_s[run]) if condensing[-1] else None,
        options,
    )
    readings = len(time_s) - run if condensing[-1] else 1
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
    u_t, u_rh, over = (
        present.uncertainty.temperature_k,
        present.uncertainty.relative_humidity_pct,
        present.humidity_over.value,
    )
    surface, margin, u_margin = float(found.temperature_c[-1]), float(found.margin_k[-1]), float(found.u_margin_k[-1])
    surface_rh = float(surface_relative_humidity(surface, float(vapour_pressure(t, rh, humidity_over=over))))
    # at a small margin ln RH changes with it as the saturation curve does, so the margin's uncertainty carries over
    u_surface_rh = surface_rh * float(saturation_slope(surface)) * u_margin
    return SurfaceRisk(
        at=utc(present.time_s),
        source=found.source(),
        what=found.what,
        surface_temperature=Quantity(value=surface, u=float(found.u_k[-1]), unit="°C"),
        dew_point=Quantity(
            value=surface - margin, u=float(u_dew_or_frost_point(t, rh, u_t, u_rh, humidity_over=over)), unit="°C"
        ),
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
