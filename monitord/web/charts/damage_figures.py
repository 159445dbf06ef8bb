"""Charts of what is estimated hour by hour: vapour pressure over other airs, mould index, timber."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from monitord.analysis.estimate_series import EstimateSeries
from monitord.analysis.wood.timber import timber_spots
from monitord.charts.parts import Chart, Level, Point, Trace
from monitord.model.facts import Material
from monitord.model.jobs import GoalMetric, Location, LocationKind
from monitord.model.series import HOUR_S
from monitord.text.damage import MATERIALS, mould_where
from monitord.text.formats import COVERAGE, decimals_of
from monitord.web.charts.estimate_series import hourly
from monitord.web.charts.figure_parts import DayTable, Figure, Scene, described, expected, figure, remarks
from monitord.web.charts.series import UNITS, Measure
from monitord.web.text.formats import number, with_uncertainty
from monitord.web.text.words import SHORT_KINDS, speaker_of, spelled

_SCALE = (
    "The index goes from 0, no growth, to 6: 1 is the first growth, which a microscope shows; 2 several colonies under "
    "the microscope; 3 growth that an eye sees, on less than a tenth of the surface; 4 on up to half, 5 on more, 6 on "
    "nearly all of it."
)
"""Hukka and Viitanen (1999), table of the index, in our words."""
_MIN_SOAKED_H = 24
"""What it would be if it was soaked is drawn where it was open for this time before someone measured. [h]"""
_APART_INDEX = 0.1
"""The index if wetter or drier is drawn where it ever lies this far from the index."""
_MIN_INDEX = 0.01
"""A course that stays under this even in the wettest case is told and not drawn."""


def damage_figures(scene: Scene, location: Location, estimates: EstimateSeries | None) -> list[Figure]:
    """The charts that apply to a location; none where nothing is estimated."""
    if estimates is None:
        return []
    found = [
        _excess(scene, location, estimates),
        _mould(scene, location, estimates),
        _timber(scene, location, estimates),
    ]
    return [one for one in found if one is not None]


def _traces(scene: Scene, estimates: EstimateSeries, lines: Sequence[tuple[Measure, str, bool]]) -> list[Trace]:
    """A trace for each (measure, label, with band) that has values."""
    traces: list[Trace] = []
    for measure, label, band in lines:
        time_s, value, u = hourly(estimates, measure)
        if np.isfinite(value).any():
            uncertainty = COVERAGE * u if band else None
            read = Trace(f"s{len(traces) + 1}", label, time_s, value, uncertainty, HOUR_S)
            traces.append(scene.trace(read, UNITS[measure]))
    return traces


def _excess(scene: Scene, location: Location, estimates: EstimateSeries) -> Figure | None:
    """How much more vapour there is than in the room and outdoors: which way it is driven."""
    if location.kind is LocationKind.OUTDOOR_AIR:
        return None
    room = scene.job.room_of(location)
    lines = [(Measure.OVER_ROOM, "over the room", True), (Measure.OVER_OUTDOORS, "over outdoors", True)]
    lines = [line for line in lines if np.isfinite(hourly(estimates, line[0])[1]).any()]
    traces = _traces(scene, estimates, lines)
    if not traces:
        return None
    goal, levels, limit = location.goal, [Level(0.0, "", "zero")], None
    if (
        goal is not None
        and goal.metric is GoalMetric.VAPOUR_PRESSURE_EXCESS
        and location.reference in _others(estimates)
    ):
        limit = scene.size(goal.limit, "Pa")
        levels.append(Level(limit, f"goal {limit:.4g}"))
    beside = f" Room: {room.label}." if room is not None and lines[0][0] is Measure.OVER_ROOM else ""
    unit = scene.unit("Pa")
    driven = spelled(
        "Vapour pressure at the location minus that of the other air: above 0 vapour is driven out to it, below 0 in "
        "from it; while the shading touches 0 there is no clear difference."
    )
    window, bars, words = expected(scene, limit)
    said = [f"{driven} In {unit}.{beside}", *words]
    chart = Chart(
        title=spelled("Vapour pressure above the reference air"),
        description=described(scene, spelled("Vapour pressure above the reference air"), location, traces, unit),
        unit=unit,
        window=window,
        traces=(*traces, *bars),
        levels=tuple(levels),
        markers=scene.markers(location),
        outs=scene.outs,
        min_span=scene.size(200.0, "Pa"),
    )
    traced = [f"{location.id}:{measure}" for measure, _, _ in lines]
    table = _days(scene, [(trace.label, trace) for trace in traces], unit, mean=True)
    return figure("excess", location, chart, [*said, *remarks(scene, traces[0], unit)], traced, table)


def _others(estimates: EstimateSeries) -> set[str]:
    return {over.other for over in (estimates.over_room, estimates.over_outdoors) if over is not None}


def _mould(scene: Scene, location: Location, estimates: EstimateSeries) -> Figure | None:
    """The mould index with its steps named; none while it stays at 0 even if every reading was too dry."""
    mould = estimates.mould
    if mould is None or float(mould.high.max()) < _MIN_INDEX:
        return None
    lines = [(Measure.MOULD_INDEX, spelled("mould index"), False)]
    if float((mould.high - mould.index).max()) >= _APART_INDEX:
        lines.append((Measure.MOULD_INDEX_HIGH, "if wetter", False))
    if float((mould.index - mould.low).max()) >= _APART_INDEX:
        lines.append((Measure.MOULD_INDEX_LOW, "if drier", False))
    traces, options = _traces(scene, estimates, lines), scene.options
    chart = Chart(
        title=spelled("Mould index"),
        description=described(scene, spelled("Mould index"), location, traces, ""),
        unit="",
        window=scene.window,
        traces=tuple(traces),
        levels=(
            Level(options.mould_index_warn, "1: under a microscope", "caution"),
            Level(options.mould_index_act, "3: seen with the eye", "caution"),
        ),
        markers=scene.markers(location),
        outs=scene.outs,
        min_span=3.5,
        floor=0.0,
        ceiling=6.0,
    )
    where = mould_where(speaker_of(scene.times), mould.air.surface, mould.air.source)
    said = [
        f"{_SCALE} Computed {where}, taken as {MATERIALS[Material(mould.material.sensitivity.name)]}. "
        "Nobody has seen it: "
        "it is what the model of Hukka and Viitanen makes of temperature and humidity."
    ]
    if len(lines) > 1:
        said.append("Wetter, drier: if every reading was off by one standard uncertainty.")
    traced = [f"{location.id}:{measure}" for measure, _, _ in lines]
    table = _days(scene, [(trace.label, trace) for trace in traces], "", decimals=2)
    return figure("mould", location, chart, [*said, *remarks(scene, traces[0], "")], traced, table)


def _timber(scene: Scene, location: Location, estimates: EstimateSeries) -> Figure | None:
    """What timber in this air would hold, what the air would bring it to, and what was measured by hand."""
    if estimates.wood is None:
        return None
    lines = [
        (Measure.TIMBER_MOISTURE, "timber", True),
        (Measure.TIMBER_EQUILIBRIUM, "air's equilibrium", False),
        (Measure.TIMBER_IF_SOAKED, "if it was soaked", False),
    ]
    minimum = {Measure.TIMBER_IF_SOAKED: _MIN_SOAKED_H}
    lines = [line for line in lines if np.isfinite(hourly(estimates, line[0])[1]).sum() >= minimum.get(line[0], 1)]
    traces, options = _traces(scene, estimates, lines), scene.options
    if not traces:
        return None
    points = tuple(
        Point(spot.time_s, spot.moisture_content_pct, COVERAGE * spot.u_pct)
        for spot in timber_spots(scene.job, location.id, options)
    )
    levels, limit = [Level(options.wood_decay_pct, f"caution {options.wood_decay_pct:g}", "caution")], None
    goal = location.goal
    if goal is not None and goal.metric is GoalMetric.TIMBER_MOISTURE:
        limit = goal.limit
        levels.append(Level(limit, f"goal {limit:g}"))
    window, bars, words = expected(scene, limit)
    unit = UNITS[Measure.TIMBER_MOISTURE]
    chart = Chart(
        title="Moisture content of timber",
        description=described(scene, "Moisture content of timber", location, traces, unit, points),
        unit=unit,
        window=window,
        traces=(*traces, *bars),
        levels=tuple(levels),
        points=points,
        markers=scene.markers(location),
        outs=scene.outs,
        min_span=6.0,
        floor=0.0,
    )
    said = [
        f"In % of dry mass, for timber beside the {SHORT_KINDS[location.kind]}: what the air would bring it to, lagged "
        f"as a joist lags it, by {options.timber_lag_days:g} days{' until the first spot reading' if points else ''}.",
        *words,
    ]
    if points:
        said.append(
            "Rings: spot readings, the bar is the uncertainty; together they teach the line its level and its lag."
        )
    else:
        said.append(
            "Nobody has measured it: the line is the least that it holds, from what the air of the first day would "
            "give. A spot reading would set it."
        )
    traced = [f"{location.id}:{measure}" for measure, _, _ in lines]
    table = _days(scene, [(trace.label, trace) for trace in traces], unit)
    return figure("timber", location, chart, [*said, *remarks(scene, traces[0], unit)], traced, table)


def _days(
    scene: Scene,
    columns: Sequence[tuple[str, Trace]],
    unit: str,
    *,
    mean: bool = False,
    decimals: int | None = None,
) -> DayTable:
    """A row for each local day in the window, the newest first: the day's last value, or its mean."""
    window, digits = scene.window, decimals_of(unit) if decimals is None else decimals
    cells: dict[datetime, dict[int, str]] = {}
    for column, (_, trace) in enumerate(columns):
        inside = (trace.time_s > window.start_s) & (trace.time_s <= window.end_s) & np.isfinite(trace.value)
        by_day: dict[datetime, list[int]] = {}
        for at in np.flatnonzero(inside):
            middle = datetime.fromtimestamp(float(trace.time_s[at]) - HOUR_S / 2.0, UTC).astimezone(window.zone)
            by_day.setdefault(middle.replace(hour=0, minute=0, second=0, microsecond=0), []).append(int(at))
        for day, found in by_day.items():
            value = float(np.mean(trace.value[found])) if mean else float(trace.value[found[-1]])
            if trace.uncertainty is not None and np.isfinite(trace.uncertainty[found[-1]]):
                text = with_uncertainty(value, float(np.mean(trace.uncertainty[found])), unit)
            else:
                text = number(value, digits)
            cells.setdefault(day, {})[column] = text + (f"\u00a0{unit}" if unit else "")
    rows = [
        (scene.times.day(day, weekday=True), *(found.get(column, "—") for column in range(len(columns))))
        for day, found in sorted(cells.items(), reverse=True)
    ]
    first = "Day, mean" if mean else "Day, at its end"
    return DayTable((first, *(label for label, _ in columns)), tuple(rows))
