"""Stalled, slow or neither: no progress with a cause is a stall, no progress by physics alone is slow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.drying.metric import Metric
from monitord.analysis.drying.progress import Progress, cleaned
from monitord.analysis.forecast.time_to_goal import MIN_BY_AIR, TimeToGoal
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import day_means, line
from monitord.model.config.analysis_options import AnalysisOptions

_MIN_DAYS = 5.0
"""Days since the first reading, or since a sleeve settled, before anything is called stalled: four without progress are
asked for, and what a probe brings in with it goes first (our choice)."""
_RATE_DAYS = 4
_SURE = 1.5
"""How many standard errors the course of those days must lie clear of progress (our choice)."""


@dataclass(frozen=True)
class Stall:
    """Whether progress has stopped, and why."""

    active: bool
    slow: bool
    reason: str


NONE = Stall(False, False, "")


def judge_stall(
    here: HourlySeries,
    metric: Metric,
    shown: Progress,
    view: TimeToGoal | None,
    drive_lost: bool,
    options: AnalysisOptions,
    first: int = 0,
) -> Stall:
    """Judge the last days of a metric above its goal; hours before the index `first` do not count.

    Stalled when both hold: the last four days surely show no progress, and there is a cause: in the present air the
    element would not end below its goal, or the room's drying drive was lost. Without a cause it is slow. A sleeve's
    own humidity is judged by `slabs/posterior` instead.
    """
    if shown.recent is None or shown.recent <= metric.goal.limit or view is None:
        return NONE
    known = np.flatnonzero(np.isfinite(metric.value[first:]))
    if not len(known) or len(here) - (first + known[0]) < 24 * _MIN_DAYS:
        return NONE
    slope, se, _ = line(day_means(cleaned(here, metric), _RATE_DAYS))
    needed = -options.stall_share_per_week * (shown.recent - metric.goal.limit) / 7.0
    slow, flat = shown.rate > needed, slope - _SURE * se > needed
    held = view.held >= options.stall_probability and view.held_by_air >= MIN_BY_AIR
    if flat and held and metric.end is not None:
        return Stall(True, slow, _held_up(metric, view))
    if flat and drive_lost and view.no_progress >= options.stall_probability:
        return Stall(True, slow, "The room's air has stopped taking water up as it did.")
    return Stall(False, slow, "The air around could still take it to its goal.")


def _held_up(metric: Metric, view: TimeToGoal) -> str:
    """What the air around does to an element that it holds up."""
    followed = metric if metric.followed is None else metric.followed
    would = "would stay above its goal, for as much vapour comes as goes. The goal is"
    if view.end is not None:
        end = view.end - (followed.goal.limit - metric.goal.limit)
        would = f"would end near {end:.0f} {metric.unit}; the goal is"
    return f"In this air it {would} {metric.goal.limit:g} {metric.unit}."
