"""Is an element drying towards its goal, how fast, and if not, why not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.drying.metric import SQRT_12, Metric
from monitord.analysis.drying.parameters import DRYING
from monitord.analysis.series.hourly_series import HourlySeries, is_sleeve
from monitord.analysis.series.rolling import day_means, line, trailing_mean
from monitord.analysis.series.times import WEEK_H
from monitord.analysis.slabs.temperature_effect import sleeve_humidity_slope
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import GoalMetric
from monitord.model.series import Array, Flags


@dataclass(frozen=True)
class Progress:
    """Where a metric stands and how it moves, as of the last complete hour; in the metric's unit."""

    value: float | None
    """Mean over the goal's window."""
    recent: float | None
    """Mean over the last 24 h."""
    rate: float
    """Change per day, cleaned of daily cycles and temperature; negative is drying."""
    rate_se: float
    """Its standard uncertainty: of the fit, and for timber of what the estimate's course may have been."""
    days: int
    """Days with readings that the rate rests on."""
    start: float | None
    """Mean over the first day."""


def cleaned(series: HourlySeries, metric: Metric) -> Array:
    """The metric without what temperature alone does to it (sealed concrete: rising with temperature)."""
    if is_sleeve(series) and metric.goal.metric in (GoalMetric.EQUILIBRIUM_RH, GoalMetric.RH):
        t = trailing_mean(series.temperature_c, DRYING.smooth_h)
        reference = (
            np.nanmean(series.temperature_c[-WEEK_H:]) if np.isfinite(series.temperature_c[-WEEK_H:]).any() else np.nan
        )
        return np.asarray(metric.value - sleeve_humidity_slope(series) * (t - reference))
    return metric.value


def progress(series: HourlySeries, metric: Metric, first: int = 0) -> Progress:
    """Level and robust rate of a metric; hours before the index `first` give no rate, a sleeve had not settled."""
    window = max(1, round(metric.goal.window_h))
    value = trailing_mean(metric.value[-max(window, 1) :], window)
    recent = trailing_mean(metric.value[-24:], 24)
    days = DRYING.rate_days_sleeve if is_sleeve(series) else DRYING.rate_days
    daily = day_means(cleaned(series, metric)[first:], days)
    slope, se, _ = line(daily)
    model = [line(day_means(course[first:], days))[0] for course in metric.courses]
    spread = (max(model) - min(model)) / SQRT_12 if model else 0.0
    slope = 0.5 * (max(model) + min(model)) if model else slope
    known = metric.value[np.isfinite(metric.value)]
    return Progress(
        value=_last(value),
        recent=_last(recent),
        rate=slope,
        rate_se=float(np.hypot(se, np.hypot(spread, metric.u_rate))),
        days=int(np.isfinite(daily).sum()),
        start=float(known[:24].mean()) if len(known) else None,
    )


def _last(values: Array) -> float | None:
    return float(values[-1]) if len(values) and np.isfinite(values[-1]) else None


def goal_met(metric: Metric, options: AnalysisOptions, first: int = 0) -> tuple[bool, int | None]:
    """Whether the goal is held to be met, and at which hour's index that began.

    Claimed when the mean over the goal's window lies under the limit by more than the uncertainty; kept until that mean
    is over the limit again. Hours before the index `first` do not count: a sleeve had not settled.
    """
    sure, over = _sides(metric, options, first)
    last_sure, last_over = _last_true(sure), _last_true(over)
    if last_sure is None or (last_over is not None and last_over > last_sure):
        return False, None
    begin = 0 if last_over is None else last_over + 1
    return True, begin + int(np.argmax(sure[begin:]))


def goal_met_lately(metric: Metric, options: AnalysisOptions, first: int = 0) -> bool:
    """Whether the goal was held to be met in the last weeks (`met_lately_h`), though it may be over it again."""
    return bool(_sides(metric, options, first)[0][-DRYING.met_lately_h :].any())


def _sides(metric: Metric, options: AnalysisOptions, first: int) -> tuple[Flags, Flags]:
    """Hours at which the window's mean is surely under the limit, and at which it is over it, (n,)."""
    window = max(1, round(metric.goal.window_h))
    mean = trailing_mean(metric.high, window, DRYING.goal_known_share)
    known = np.flatnonzero(np.isfinite(metric.value))
    begun = max(int(known[0]) if len(known) else 0, first)
    mean[: begun + window] = np.nan  # no verdict on less than a whole window
    return mean <= metric.goal.limit - options.goal_confidence * metric.u, mean > metric.goal.limit


def _last_true(where: Flags) -> int | None:
    found = np.flatnonzero(where)
    return int(found[-1]) if len(found) else None
