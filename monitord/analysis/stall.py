"""Stalled, slow or neither: no progress with a cause is a stall, no progress by physics alone is slow."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.analysis.drying import Progress, cleaned
from monitord.analysis.metric import Metric, is_sleeve
from monitord.analysis.outlook import Outlook
from monitord.analysis.rolling import day_means, line
from monitord.analysis.track import Track
from monitord.model.analysis_options import AnalysisOptions

_LEAST_DAYS = 2.5
"""Days of readings before anything is called stalled."""


@dataclass(frozen=True)
class Stall:
    """Whether progress has stopped, and why."""

    active: bool
    slow: bool
    reason: str


NONE = Stall(False, False, "")


def judge_stall(
    here: Track,
    metric: Metric,
    shown: Progress,
    view: Outlook | None,
    drive_lost: bool,
    options: AnalysisOptions,
) -> Stall:
    """Judge the last days of a metric above its goal.

    Stalled when both hold: the last four days show no clear progress, and there is a cause: in the present air the
    element would not end below its goal, or the room's drying drive was lost. Without a cause it is slow. A sleeve
    lies too deep to show within days what the room's air has become, so a lost drive is no cause there; it has its own
    alarm.
    """
    if shown.recent is None or shown.recent <= metric.goal.limit or view is None or shown.days < _LEAST_DAYS:
        return NONE
    remaining = shown.recent - metric.goal.limit
    slope, se, _ = line(day_means(cleaned(here, metric), 4))
    needed = -options.stall_share_per_week * remaining / 7.0
    flat = slope + 0.5 * se > needed
    slow = shown.rate > needed
    if flat and view.stalled >= options.stall_probability and metric.end is not None:
        return Stall(True, slow, _held_up(metric, view))
    if flat and drive_lost and not is_sleeve(here) and view.no_progress >= options.stall_probability:
        return Stall(True, slow, "The room's air has stopped taking water up as it did.")
    return Stall(False, slow, "The air around could still take it to its goal.")


def _held_up(metric: Metric, view: Outlook) -> str:
    """What the air around does to an element that it holds up."""
    followed = metric if metric.followed is None else metric.followed
    would = "would stay above its goal, for as much vapour comes as goes. The goal is"
    if view.end is not None:
        end = view.end - (followed.goal.limit - metric.goal.limit)
        would = f"would end near {end:.0f} {metric.unit}; the goal is"
    return f"In this air it {would} {metric.goal.limit:g} {metric.unit}."
