"""The goal's metric as an hourly series, where it would end in the air around it, and how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitord.analysis.drying.parameters import DRYING
from monitord.analysis.series.hourly_series import HourlySeries, ReferenceSeries
from monitord.analysis.wood.members import TimberMembers, timber_members
from monitord.analysis.wood.parameters import WOOD
from monitord.analysis.wood.timber import TimberEstimate, estimate_timber, slow_lag_share
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import OVER_CONTROL, Goal, GoalMetric
from monitord.model.series import Array
from monitord.physics.moist_air import saturation_vapour_pressure
from monitord.physics.uncertainty import combine, u_vapour_pressure
from monitord.physics.wood import equilibrium_moisture_content

SQRT_12 = float(np.sqrt(12.0))
"""Width of a rectangular distribution over its standard deviation (JCGM 100:2008, 4.3.7). [-]"""

UNITS = {
    GoalMetric.EQUILIBRIUM_RH: "% RH",
    GoalMetric.RH: "% RH",
    GoalMetric.VAPOUR_PRESSURE_EXCESS: "Pa",
    GoalMetric.TIMBER_MOISTURE: "% MC",
    GoalMetric.RH_OVER_CONTROL: "% RH",
    GoalMetric.TIMBER_OVER_CONTROL: "% MC",
}


@dataclass(frozen=True)
class Metric:
    """A goal's metric by hour, each (n,), in the metric's unit."""

    goal: Goal
    value: Array
    u: float
    """Standard uncertainty of its level, by which a goal is held to be met: a constant offset of the probe, mostly."""
    end: Array | None
    """Where it would end in the air of each hour; None where that is not known."""
    other_end: Array | None
    """The same in the outdoor air, which may have a share in it."""
    high: Array
    """Upper estimate where the level itself is estimated (timber), else the value."""
    timber: TimberEstimate | None
    """Timber goals: the estimate in full."""
    members: TimberMembers | None = None
    """Timber that was measured by hand: what the readings leave of its lag, its curve and its start."""
    followed: Metric | None = None
    """Goals that are differences: what follows the air, limit and all; for an excess of vapour pressure the humidity at
    the element's temperature, for its vapour pressure goes up and down with that."""
    courses: tuple[Array, ...] = ()
    """Timber goals: courses that span what the timber may have done, from the driest start to the wettest, as quick as
    the setting and slow; each (n,). Their rates are what a fit to one of them leaves out."""
    u_rate: float = 0.0
    """Timber goals: what species and hysteresis add to the standard uncertainty of the rate. [% MC/day]"""
    u_shown: float | None = None
    """Timber that nobody measured: standard uncertainty of the value, with all that it may have done (`courses`), which
    a goal counts by `high`. None: as `u`."""
    over_air: bool = False
    """Whether the limit counts from the air's own end, as in what an excess of vapour pressure is followed by."""

    @property
    def u_value(self) -> float:
        """Standard uncertainty of the last value."""
        return self.u if self.u_shown is None else self.u_shown

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return UNITS[self.goal.metric]


def humidity_in_air(series: HourlySeries, air: HourlySeries) -> Array:
    """Relative humidity that the surrounding air's vapour would give at the element's temperature, by hour. [%]

    Never over 100: there the vapour condenses.
    """
    out = np.full(len(series), np.nan)
    known = np.isfinite(air.vapour_pressure_pa) & np.isfinite(series.temperature_c)
    share = air.vapour_pressure_pa[known] / saturation_vapour_pressure(series.temperature_c[known])
    out[known] = np.minimum(100.0 * share, 100.0)
    return out


def _timber_end(series: HourlySeries, air: HourlySeries) -> Array:
    """Moisture content that timber would come to in the surrounding air's vapour, by hour. [%]"""
    rh = humidity_in_air(series, air)
    out = np.full(len(rh), np.nan)
    known = np.isfinite(rh)
    t = np.clip(series.temperature_c[known], 0.0, WOOD.max_timber_c)
    out[known] = equilibrium_moisture_content(t, np.clip(rh[known], WOOD.min_air_rh_pct, DRYING.max_timber_rh_pct))
    return out


def build_metric(
    series: HourlySeries, references: ReferenceSeries, goal: Goal, options: AnalysisOptions
) -> Metric | None:
    """The metric of a goal; None while there is nothing to compute it from."""
    air, outdoor = references.air, references.outdoor
    outdoor = None if outdoor is air else outdoor
    if goal.metric in (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH):
        end = None if air is None else humidity_in_air(series, air)
        other = None if outdoor is None else humidity_in_air(series, outdoor)
        value = series.relative_humidity_pct
        return Metric(goal, value, series.uncertainty.relative_humidity_pct, end, other, value, None)
    if goal.metric is GoalMetric.VAPOUR_PRESSURE_EXCESS:
        if air is None:
            return None
        value = series.vapour_pressure_pa - air.vapour_pressure_pa
        u = _u_excess(series, air)
        other = None if outdoor is None else outdoor.vapour_pressure_pa - air.vapour_pressure_pa
        humidity = _excess_as_humidity(series, air, outdoor, goal, u)
        return Metric(goal, value, u, np.zeros(len(series)), other, value, None, followed=humidity)
    if goal.metric in OVER_CONTROL:
        return _over_control(series, references, goal, options)
    timber = _timber(series, options, options.timber_lag_days)
    slow = _timber(series, options, options.timber_lag_days * slow_lag_share())
    if timber is None or slow is None:
        return None
    end = None if air is None else _timber_end(series, air)
    other = None if outdoor is None else _timber_end(series, outdoor)
    members = timber_members(timber.held, options.timber_lag_days, timber.spots, series.end_s, 24 * DRYING.rate_days)
    if members is not None:
        u = float(members.u[-1])
        high = members.middle + options.goal_confidence * (members.u - u)
        return Metric(goal, members.middle, u, end, other, high, timber, members, u_rate=members.u_rate)
    u = _u_between(timber.low, timber.high, options)
    u_rate = options.timber_species_u_pct / options.timber_lag_days
    courses = (timber.low, timber.high, slow.low, slow.high)
    low, high = np.minimum(timber.low, slow.low), np.maximum(timber.high, slow.high)
    u_shown = _u_between(low, high, options)
    value = 0.5 * (low + high)
    return Metric(goal, value, u, end, other, high, timber, courses=courses, u_rate=u_rate, u_shown=u_shown)


def _u_between(low: Array, high: Array, options: AnalysisOptions) -> float:
    """Standard uncertainty of timber that lies anywhere between two courses now. [% MC]"""
    return float(np.hypot(float(high[-1] - low[-1]) / SQRT_12, options.timber_species_u_pct))


def _timber(series: HourlySeries, options: AnalysisOptions, lag_days: float) -> TimberEstimate | None:
    u_species = options.timber_species_u_pct
    return estimate_timber(
        series.temperature_c, series.relative_humidity_pct, lag_days, series.hour_s, series.spots, u_species
    )


def _over_control(
    series: HourlySeries, references: ReferenceSeries, goal: Goal, options: AnalysisOptions
) -> Metric | None:
    """A distance from the control reading; the limit of what is followed is that of the control's last three days.

    A control stayed dry: where its timber was not measured, it is that which began in equilibrium with its air.
    """
    same = goal.model_copy(update={"metric": OVER_CONTROL[goal.metric], "control": None})
    own = build_metric(series, references, same, options)
    control = (
        None
        if references.control is None
        else build_metric(references.control, ReferenceSeries(None, None, None), same, options)
    )
    if own is None or control is None:
        return None
    dry = control.value if control.timber is None or control.members is not None else control.timber.low
    lately = dry[-DRYING.level_h :]
    lately = lately[np.isfinite(lately)]
    if not len(lately):
        return None
    level = float(lately.mean())
    u = float(np.hypot(own.u, control.u))
    followed = replace(own, goal=same.model_copy(update={"limit": goal.limit + level}), u=u)
    end, other = (None if end is None else end - level for end in (own.end, own.other_end))
    return Metric(
        goal,
        own.value - dry,
        u,
        end,
        other,
        own.high - dry,
        None,
        followed=followed,
        courses=tuple(course - dry for course in own.courses),
        u_rate=own.u_rate,
        u_shown=float(np.hypot(own.u_value, control.u)),
    )


def _excess_as_humidity(
    series: HourlySeries, air: HourlySeries, outdoor: HourlySeries | None, goal: Goal, u: float
) -> Metric | None:
    """An excess of vapour pressure as one of humidity at the element's mean temperature; None if unknown."""
    lately = series.temperature_c[-DRYING.level_h :]
    lately = lately[np.isfinite(lately)]
    if not len(lately):
        return None
    pct_per_pa = 100.0 / float(saturation_vapour_pressure(float(lately.mean())))
    value = series.relative_humidity_pct
    other = None if outdoor is None else humidity_in_air(series, outdoor)
    in_humidity = goal.model_copy(update={"metric": GoalMetric.RH, "limit": goal.limit * pct_per_pa})
    return Metric(in_humidity, value, u * pct_per_pa, humidity_in_air(series, air), other, value, None, over_air=True)


def _u_excess(series: HourlySeries, air: HourlySeries) -> float:
    """Standard uncertainty of a vapour-pressure difference at the last known values. [Pa]"""
    parts = []
    for each in (series, air):
        known = np.flatnonzero(np.isfinite(each.vapour_pressure_pa))
        if len(known):
            t, rh = float(each.temperature_c[known[-1]]), float(each.relative_humidity_pct[known[-1]])
            rh = min(max(rh, WOOD.min_air_rh_pct), 100.0)
            parts.append(
                u_vapour_pressure(t, rh, each.uncertainty.temperature_k, each.uncertainty.relative_humidity_pct)
            )
    return float(combine(*parts)) if parts else float("nan")
