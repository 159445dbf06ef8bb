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

    Stalled when both hold: the slope over `stall_days`, less `stall_coverage` standard errors, is above what the goal
    needs; and there is a cause: in the present air the location would level off above its goal, or the room air became
    more humid. Without a cause it is slow. A sleeve's own humidity is assessed by `slabs/posterior` instead.
    """
    if shown.recent is None or shown.recent <= metric.goal.limit or view is None:
        return NONE
    known = np.flatnonzero(np.isfinite(metric.value[first:]))
    if not len(known) or len(series) - (first + known[0]) < 24 * ASSESSMENT.stall_first_days:
        return NONE
    slope, se, _ = line(day_means(cleaned(series, metric), ASSESSMENT.stall_days))
    needed = -options.stall_share_per_week * (shown.recent - metric.goal.limit) / WEEK_D
    slow, flat = shown.rate > needed, slope - ASSESSMENT.stall_coverage * se > needed
    since_s = series.end_s - ASSESSMENT.stall_days * DAY_S
    held = view.held >= options.stall_probability and view.held_by_air >= ASSESSMENT.stall_by_air
    if flat and held and metric.end is not None:
        return Stall(True, slow, Cause.AIR_HOLDS, end_in_air(metric, view), since_s)
    if flat and room_more_humid and view.no_progress >= options.stall_probability:
        return Stall(True, slow, Cause.ROOM_MORE_HUMID, since_s=since_s)
    return Stall(False, slow)


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
    """Level at which the metric would end in the present air, in its unit; None where no end is known."""
    if view.end is None:
        return None
    followed = metric if metric.followed is None else metric.followed
    return Quantity(value=view.end - (followed.goal.limit - metric.goal.limit), unit=metric.unit)
