"""The charts of a job or location page: which lines, what stands under them, and how to read them without seeing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from markupsafe import Markup
from sqlalchemy import Connection

from monitord.charts.decimate import gaps
from monitord.charts.draw import draw
from monitord.charts.parts import NARROW, WIDE, Chart, Level, Marker, Out, Trace, Window
from monitord.charts.time_axis import clock_change
from monitord.model.alerts import Alert
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import QualityFlag
from monitord.model.jobs import GoalMetric, JobFile, Location
from monitord.store import alerts as stored_alerts
from monitord.web.formats import decimals_of, number
from monitord.web.happenings import markers_of
from monitord.web.loading import JobState
from monitord.web.local_time import LocalTimes, offset_words
from monitord.web.series import UNITS, Measure, PlaceSeries, load_place
from monitord.web.windows import Shown
from monitord.web.words import SHORT_KINDS

_GAPS_TOLD = 3


@dataclass(frozen=True)
class Figure:
    """One chart with all that stands around it."""

    id: str
    location: str
    """Whose readings it shows."""
    title: str
    wide: Markup
    narrow: Markup
    captions: tuple[str, ...]
    markers: tuple[Marker, ...]
    traces: tuple[str, ...]
    """What the API calls its lines: `location:measure`."""
    labels: tuple[str, ...]
    """What the lines are called, in the same order."""


@dataclass(frozen=True)
class Scene:
    """What all figures of a page share."""

    job: JobFile
    shown: Shown
    times: LocalTimes
    options: AnalysisOptions
    flags: tuple[QualityFlag, ...]
    alerts: Sequence[Alert]

    @property
    def window(self) -> Window:
        """The chosen time as a chart takes it."""
        return Window(self.shown.start.timestamp(), self.shown.end.timestamp(), self.job.zone)


def figures_of(
    conn: Connection,
    state: JobState,
    place: Location,
    shown: Shown,
    times: LocalTimes,
    options: AnalysisOptions,
    surface: Location | None = None,
) -> list[Figure]:
    """The charts about one location: humidity, vapour pressure against the airs, and surface against dew point.

    Parameters
    ----------
    surface : Whose surface is shown where the location has none of its own.
    """
    job, assessed = state.job, state.assessment.at(place.id) if state.assessment is not None else None
    past = stored_alerts.episodes(conn, job.job)
    scene = Scene(job, shown, times, options, assessed.flags if assessed else (), past)
    room, outdoor = job.room_of(place), job.outdoor()
    others = [air for air in (room, outdoor) if air is not None and air.id != place.id]
    loaded = {spot.id: load_place(conn, job, spot.id, shown.start, shown.end, options) for spot in (place, *others)}
    beside = others if outdoor is None or room is None else [room]
    figures = [
        _lines(scene, Measure.RELATIVE_HUMIDITY, "rh", "Relative humidity", place, beside, loaded),
        _lines(scene, Measure.VAPOUR_PRESSURE, "vp", "Vapour pressure", place, others, loaded),
    ]
    if np.isfinite(loaded[place.id].surface_c).any():
        figures.append(_surface(scene, "Surface temperature against dew point", place, loaded[place.id]))
    elif surface is not None:
        series = loaded.get(surface.id) or load_place(conn, job, surface.id, shown.start, shown.end, options)
        if np.isfinite(series.surface_c).any():
            figures.append(_surface(scene, f"Surface temperature against dew point, {surface.label}", surface, series))
    return figures


def _lines(
    scene: Scene,
    measure: Measure,
    name: str,
    title: str,
    place: Location,
    others: list[Location],
    loaded: dict[str, PlaceSeries],
) -> Figure:
    """One measure at a location and in the air around it."""
    spots = [place, *others]
    traces = [
        _trace(scene, loaded[spot.id], measure, f"s{order}", SHORT_KINDS[spot.kind], band=order == 1)
        for order, spot in enumerate(spots, start=1)
    ]
    humidity = measure is Measure.RELATIVE_HUMIDITY
    chart = Chart(
        title=title,
        description=_described(scene, title, place, traces, measure),
        unit=UNITS[measure],
        window=scene.window,
        traces=tuple(traces),
        levels=_goal(place) if humidity else (),
        markers=markers_of(scene.job, place, scene.alerts, scene.shown, scene.times),
        outs=tuple(Out(f.start.timestamp(), (f.end or scene.shown.end).timestamp()) for f in scene.flags),
        least_span=10.0 if humidity else 200.0,
        floor=0.0,
        ceiling=100.0 if humidity else None,
    )
    unit = "Relative humidity in %." if humidity else "Vapour pressure in Pa."
    remarks = [unit, *_remarks(scene, traces[0], UNITS[measure])]
    return _figure(name, place, chart, remarks, [f"{spot.id}:{measure}" for spot in spots])


def _surface(scene: Scene, title: str, place: Location, series: PlaceSeries) -> Figure:
    """The surface temperature against the dew point of the air that touches it, with the margin shaded."""
    surface = _trace(scene, series, Measure.SURFACE_TEMPERATURE, "s1", "surface", band=False)
    dew = _trace(scene, series, Measure.DEW_POINT, "s2", "dew point", band=False)
    chart = Chart(
        title=title,
        description=_described(scene, "Temperature", place, [surface, dew], Measure.DEW_POINT),
        unit="°C",
        window=scene.window,
        traces=(surface, dew),
        markers=markers_of(scene.job, place, scene.alerts, scene.shown, scene.times),
        least_span=4.0,
        shade_between=(0, 1),
    )
    said = [
        "Temperature in °C. Light between the lines: the margin. Dark: the surface is below the dew point, and wet."
    ]
    if not np.isfinite(series.values.surface_temperature_c).any():
        said.append("The surface temperature is by its temperature factor f_Rsi, from room and outdoor air.")
    u = scene.options.coverage * np.hypot(series.u_surface_k, series.values.u_dew_point_k)
    if np.isfinite(u).any():
        said.append(f"Doubt of the margin: ±\u00a0{number(float(np.nanmedian(u)), 1)}\u00a0K.")
    traced = [f"{place.id}:{Measure.SURFACE_TEMPERATURE}", f"{place.id}:{Measure.DEW_POINT}"]
    return _figure("surface", place, chart, [*said, *_remarks(scene, surface, "K")], traced)


def _figure(name: str, place: Location, chart: Chart, remarks: list[str], traces: list[str]) -> Figure:
    return Figure(
        id=name,
        location=place.id,
        title=chart.title,
        wide=Markup(draw(chart, WIDE)),
        narrow=Markup(draw(chart, NARROW)),
        captions=(" ".join(remarks),),
        markers=chart.markers,
        traces=tuple(traces),
        labels=tuple(trace.label for trace in chart.traces),
    )


def _trace(scene: Scene, series: PlaceSeries, measure: Measure, style: str, label: str, *, band: bool) -> Trace:
    value, u = series.of(measure)
    return Trace(
        style=style,
        label=label,
        time_s=series.values.time_s,
        value=value,
        doubt=scene.options.coverage * u if band else None,
        interval_s=series.interval_s,
    )


def _goal(place: Location) -> tuple[Level, ...]:
    goal = place.goal
    if goal is None or goal.metric not in (GoalMetric.RH, GoalMetric.EQUILIBRIUM_RH):
        return ()
    return (Level(goal.limit, f"goal {goal.limit:g}"),)


def _remarks(scene: Scene, first: Trace, unit: str) -> list[str]:
    """What has to be said under the chart: the doubt, gaps, times that do not count, a change of the clocks."""
    window, times = scene.window, scene.times
    said = []
    doubt = _typical(first, window)
    if doubt is not None:
        said.append(f"Shaded: the doubt, {doubt}\u00a0{unit}.")
    found = gaps(first, window.start_s, window.end_s)
    if found:
        told = "; ".join(times.span(_utc(a), _utc(b)) for a, b in found[-_GAPS_TOLD:])
        more = f", and {len(found) - _GAPS_TOLD} before" if len(found) > _GAPS_TOLD else ""
        said.append(f"No readings: {told}{more}.")
    for flag in scene.flags:
        end = flag.end or scene.shown.end
        if flag.start < scene.shown.end and end > scene.shown.start:
            said.append(f"Grey, out of every verdict: {times.span(flag.start, end)}, {flag.reason}.")
    change = clock_change(window)
    if change:
        start = datetime.fromtimestamp(window.start_s, window.zone).utcoffset()
        said.append(f"The clocks changed, from {offset_words(start) if start is not None else 'UTC'}.")
    return said


def _typical(trace: Trace, window: Window) -> str | None:
    if trace.doubt is None:
        return None
    inside = (trace.time_s >= window.start_s) & (trace.time_s <= window.end_s) & np.isfinite(trace.doubt)
    if not inside.any():
        return None
    doubt = float(np.median(trace.doubt[inside]))
    return f"±\u00a0{number(doubt, 0 if doubt >= 10 else 1)}"


def _described(scene: Scene, title: str, place: Location, traces: list[Trace], measure: Measure) -> str:
    """The course of each line in words."""
    period = scene.times.span(scene.shown.start, scene.shown.seen_end)
    return f"{title} at {place.label}, {period}. " + " ".join(_course(t, scene, measure) for t in traces)


def _course(trace: Trace, scene: Scene, measure: Measure) -> str:
    window, unit = scene.window, UNITS[measure]
    inside = (trace.time_s >= window.start_s) & (trace.time_s <= window.end_s) & np.isfinite(trace.value)
    time_s, value = trace.time_s[inside], trace.value[inside]
    if not len(value):
        return f"{trace.label.capitalize()}: no readings."
    low, high = int(np.argmin(value)), int(np.argmax(value))

    def at(place: int) -> str:
        return f"{number(float(value[place]), decimals_of(unit))} {unit}"

    def when(place: int) -> str:
        return scene.times.stamp(_utc(float(time_s[place])), weekday=False)

    return (
        f"{trace.label.capitalize()}: from {at(0)} to {at(-1)}; "
        f"lowest {at(low)} on {when(low)}, highest {at(high)} on {when(high)}."
    )


def _utc(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)
