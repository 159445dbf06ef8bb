"""Stalled, slow or neither: no progress with a cause is a stall, little progress without one is slow drying."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from monitord.analysis.drying.metric import Metric
from monitord.analysis.drying.progress import Progress, cleaned
from monitord.analysis.forecast.time_to_goal import TimeToGoal
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.rolling import day_means, line
from monitord.analysis.series.times import DAY_S, WEEK_D
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import Cause, Facts
from monitord.model.jobs import JobFile, Location
from monitord.model.quantity import Quantity
from monitord.model.site.equipment import EquipmentKind


@dataclass(frozen=True)
class Stall:
    """Whether progress has stopped, and why."""

    active: bool
    slow: bool
    cause: Cause | None = None
    end: Quantity | None = None
    """Level at which the present air holds the location, in the metric's unit."""
    since_s: float | None = None
    """Start of the window over which no progress was found; it may have stopped earlier. [s]"""
    told: bool = True
    """Whether an alert tells of it. Not where the goal was met lately: nothing is left to dry, weather lifts it again,
    and that it is over its goal again was told."""


NONE = Stall(False, False)


def assess_stall(
    series: HourlySeries,
    metric: Metric,
    shown: Progress,
    view: TimeToGoal | None,
    room_more_humid: bool,
    options: AnalysisOptions,
    first: int = 0,
) -> Stall:
    """Whether the drying of a metric above its goal has stalled; hours before the index `first` do not count.

    Stalled when the coming week will hardly take anything of what remains, and there is a cause: the air of the last
    days would not end below the goal, or the room air became more humid. Without a cause it is slow. A sleeve's own
    humidity is assessed by `slabs/posterior` instead.
    """
    if shown.recent is None or shown.recent <= metric.goal.limit or view is None:
        return NONE
    known = np.flatnonzero(np.isfinite(metric.value[first:]))
    if not len(known) or len(series) - (first + known[0]) < 24 * ASSESSMENT.stall_first_days:
        return NONE
    needed = -options.stall_share_per_week * (shown.recent - metric.goal.limit) / WEEK_D
    slow = shown.rate > needed
    if view.held_by_air >= options.stall_probability and metric.end is not None:
        return Stall(True, slow, Cause.AIR_HOLDS, end_in_air(metric, view), _without_progress(series, metric, needed))
    if room_more_humid and view.no_progress >= options.stall_probability:
        return Stall(True, slow, Cause.ROOM_MORE_HUMID, since_s=_without_progress(series, metric, needed))
    return Stall(False, slow)


def _without_progress(series: HourlySeries, metric: Metric, needed: float) -> float | None:
    """Start of the days over which the slope is above `needed`; None while it falls, in weather that will turn. [s]"""
    known = np.isfinite(metric.value)
    most = min(ASSESSMENT.stall_most_days, (len(series) - int(np.argmax(known))) // 24)
    daily, found = day_means(cleaned(series, metric), most), None
    for days in range(ASSESSMENT.stall_days, most + 1):
        if len(daily) < days or line(daily[-days:])[0] <= needed:
            break
        found = series.end_s - days * DAY_S
    return found


_BY_AIR = (Cause.AIR_HOLDS, Cause.ROOM_MORE_HUMID)


def naming_equipment(facts: Facts, job: JobFile, location: Location, at: datetime) -> Facts:
    """The facts of a stall whose cause is the air, and the time at which the room's last dehumidifier was taken out.

    It stands beside the cause and is not one: the readings show the air, not the machine.
    """
    room = job.room_of(location)
    if facts.cause not in _BY_AIR or room is None:
        return facts
    machines = [item for item in job.equipment_at(room.id) if item.kind is EquipmentKind.DEHUMIDIFIER]
    ends = [item.to_time for item in machines if item.to_time is not None and item.to_time <= at]
    if not ends or any(item.covers(at) for item in machines):
        return facts
    gone = max(ends)
    recent = (at - gone).total_seconds() <= ASSESSMENT.equipment_gone_days * DAY_S
    return facts.model_copy(update={"dehumidifier_out_at": gone}) if recent else facts


def end_in_air(metric: Metric, view: TimeToGoal) -> Quantity | None:
    """Level above its goal at which the metric would end in the present air, in its unit; None where none is known."""
    if view.end is None:
        return None
    followed = metric if metric.followed is None else metric.followed
    end = view.end - (followed.goal.limit - metric.goal.limit)
    end = min(end, 100.0) if metric.unit == "% RH" else end  # the fit knows no saturation
    return Quantity(value=end, unit=metric.unit) if end > metric.goal.limit else None
