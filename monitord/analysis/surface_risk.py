"""A cold surface against the air that touches it: margin to the dew point, and how likely it condenses."""

from __future__ import annotations

import numpy as np

from monitord.analysis.comparison import Present, interpolated, utc
from monitord.analysis.words import LOOK_FIRST, WHY
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import Finding, Quantity, SurfaceRisk, SurfaceSource
from monitord.model.series import Array
from monitord.physics.moist_air import dew_or_frost_point, saturation_vapour_pressure, vapour_pressure
from monitord.physics.uncertainty import combine, probability_below, u_dew_point

_DAY_S = 86_400.0


def _surface(
    here: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> tuple[SurfaceSource, Array, Array] | None:
    """Surface temperature and its standard uncertainty at the times of `here`, and where they come from."""
    touched = here.series.surface_temperature_c
    if np.isfinite(touched[-1]):
        return SurfaceSource.CONTACT, touched, np.full_like(touched, options.surface_u_k)
    f_rsi = here.location.f_rsi
    if f_rsi is None or room is None or outdoor is None:
        return None
    inside = interpolated(room, here.series.time_s, room.series.temperature_c, options)
    outside = interpolated(outdoor, here.series.time_s, outdoor.series.temperature_c, options)
    # EN ISO 13788:2012: f_Rsi = (theta_si - theta_e) / (theta_i - theta_e)
    surface = outside + f_rsi * (inside - outside)
    u = np.sqrt(
        (options.f_rsi_u * (inside - outside)) ** 2
        + (f_rsi * room.doubt.temperature_k) ** 2
        + ((1.0 - f_rsi) * outdoor.doubt.temperature_k) ** 2
    )
    return SurfaceSource.FACTOR, surface, u


def _level(probability: float, margin_k: float, surface_rh: float, options: AnalysisOptions) -> str:
    if probability >= 0.5:
        return "act"
    if probability >= options.condensation_probability_warn or margin_k < options.margin_warn_k:
        return "warn"
    return "watch" if surface_rh >= options.surface_rh_watch_pct else "none"


def _hours_at_risk(time_s: Array, risky: Array, interval_s: float) -> float:
    """Hours of the last day with condensation more likely than not; a gap counts as one interval only."""
    recent = time_s > time_s[-1] - _DAY_S
    held = np.minimum(np.diff(time_s[recent], append=time_s[-1] + interval_s), 2.0 * interval_s)
    return float(np.sum(held[risky[recent]])) / 3600.0


def surface_risk(
    here: Present, room: Present | None, outdoor: Present | None, options: AnalysisOptions
) -> tuple[SurfaceRisk, Finding] | None:
    """Condensation risk of the surface at a location, and the finding about it; None where no surface is known.

    The surface temperature is a contact sensor's, else by the temperature factor f_Rsi (EN ISO 13788:2012) from
    room and outdoor air. The air in contact is the location's own. The probability is that of a margin at or
    below zero, the margin taken as normal with the propagated uncertainty (JCGM 100:2008).
    """
    here = here.last(_DAY_S + 2.0 * here.interval_s)
    found = _surface(here, room, outdoor, options)
    if found is None:
        return None
    source, surface, u_surface = found
    known = np.isfinite(surface)
    if not known[-1]:
        return None
    time_s = here.series.time_s[known]
    t, rh = here.series.temperature_c[known], np.maximum(here.series.relative_humidity_pct[known], 1.0)
    surface, u_surface = surface[known], u_surface[known]
    vp = vapour_pressure(t, rh, humidity_over=here.humidity_over.value)
    dew = dew_or_frost_point(vp)
    u_dew = u_dew_point(t, rh, here.doubt.temperature_k, here.doubt.relative_humidity_pct)
    margin, u = surface - dew, combine(u_surface, u_dew)
    probability = probability_below(margin, u, 0.0)
    surface_rh = 100.0 * vp / saturation_vapour_pressure(surface)
    hours = _hours_at_risk(time_s, probability >= 0.5, here.interval_s)
    level = _level(float(probability[-1]), float(margin[-1]), float(surface_rh[-1]), options)
    risk = SurfaceRisk(
        at=utc(float(time_s[-1])),
        source=source,
        surface_temperature=Quantity(value=float(surface[-1]), u=float(u_surface[-1]), unit="°C"),
        dew_point=Quantity(value=float(dew[-1]), u=float(u_dew[-1]), unit="°C"),
        margin=Quantity(value=float(margin[-1]), u=float(u[-1]), unit="K"),
        surface_rh=Quantity(value=float(surface_rh[-1]), unit="%"),
        probability=float(probability[-1]),
        hours_at_risk=hours,
        level=level,
    )
    return risk, _finding(here, risk, time_s, probability)


def _finding(here: Present, risk: SurfaceRisk, time_s: Array, probability: Array) -> Finding:
    run = len(probability) - int(np.argmax((probability < 0.5)[::-1])) if (probability < 0.5).any() else 0
    since = utc(float(time_s[run])) if probability[-1] >= 0.5 else None
    margin = risk.margin
    return Finding(
        kind="condensation",
        location=here.location.id,
        measured_at=risk.at,
        value=risk.probability,
        unit="probability",
        readings=len(time_s) - run if since else 1,
        since=since,
        confidence=risk.probability,
        summary=(
            f"{here.location.label}: the surface is {margin.value:+.1f} ± {2 * (margin.u or 0):.1f} K from the "
            f"dew point ({risk.surface_temperature.value:.1f} °C by {risk.source}, dew point "
            f"{risk.dew_point.value:.1f} °C); condensation is {100 * risk.probability:.0f} % sure, "
            f"{risk.hours_at_risk:.1f} h of the last 24."
        ),
        why=WHY["condensation"],
        look_first=LOOK_FIRST["condensation"],
    )
