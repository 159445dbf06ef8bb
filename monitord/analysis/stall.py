"""Stalled, slow or neither: no progress with a cause is a stall, no progress by physics alone is slow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.drying import Progress, air_holds_back
from monitord.analysis.equilibration import Settled
from monitord.analysis.metric import Around, Metric
from monitord.analysis.rolling import day_means, line
from monitord.analysis.track import Track
from monitord.model.analysis_options import AnalysisOptions


@dataclass(frozen=True)
class Stall:
    """Whether progress has stopped, and why."""

    active: bool
    slow: bool
    reason: str


NONE = Stall(False, False, "")


def judge_stall(
    here: Track, around: Around, metric: Metric, shown: Progress, settled: Settled | None, options: AnalysisOptions
) -> Stall:
    """Judge the last days of a metric above its goal."""
    if shown.recent is None or shown.recent <= metric.goal.limit or shown.days < 3:
        return NONE
    remaining = shown.recent - metric.goal.limit
    daily = day_means(metric.value, 4)
    slope, se, _ = line(daily)
    needed = -options.stall_share_per_week * remaining / 7.0
    flat = slope - 0.5 * se > needed
    slow = shown.rate > needed
    if flat and air_holds_back(metric, around, options):
        end = metric.end[-1] if metric.end is not None else float("nan")
        return Stall(
            True, slow, f"In this air it would end at {end:.1f} {metric.unit}; the goal is {metric.goal.limit:g}."
        )
    return Stall(False, slow, "The air around could still take it to its goal." if np.isfinite(slope) else "")
