"""Charts of a job or location page: humidity, vapour pressure against the reference air, surface against dew point."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from sqlalchemy import Connection

from monitord.charts.parts import Chart, Level, Point, Shade, Trace
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import GoalMetric, Location
from monitord.model.site.spots import SpotKind
from monitord.model.units import Units, value_in
from monitord.store import alerts as stored_alerts
from monitord.text.formats import COVERAGE
from monitord.web.charts.event_markers import openings_of
from monitord.web.charts.figure_parts import Figure, Scene, described, expected, figure, remarks
from monitord.web.charts.series import UNITS, LocationSeries, Measure, Window
from monitord.web.charts.time_range import Shown
from monitord.web.queries import JobState
from monitord.web.text.formats import uncertainty
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import SHORT_KINDS, spelled

_FRESH = timedelta(hours=1)
"""How long before its forecast a window may end that shows it: an assessment is of the last complete hour."""
SURFACE = "surface"
"""Id of the figure of a surface."""
_MIN_SPANS = {
    Measure.RELATIVE_HUMIDITY: 10.0,
    Measure.VAPOUR_PRESSURE: 200.0,
    Measure.TEMPERATURE: 4.0,
    Measure.HUMIDITY_RATIO: 2.0,
}
"""What the axis of each spans at least, so that noise does not look like a course (our choice). [%, Pa, K, g/kg]"""
_HYGROMETER_U_PCT = 1.5
"""Standard uncertainty of a humidity measured by hand where none is stated: ± 2.5 %, taken as rectangular (common
practice). [% RH]"""
_TOUCH_U_K = 1.0
"""Standard uncertainty of a surface temperature measured by hand where none is stated (common practice). [K]"""


def scene_of(
    conn: Connection,
    state: JobState,
    location: Location,
    shown: Shown,
    times: LocalTimes,
    options: AnalysisOptions,
    units: Units = Units.METRIC,
) -> Scene:
    """What all charts about one location share."""
    assessed = state.assessment.at(location.id) if state.assessment is not None else None
    openings = openings_of(stored_alerts.episodes(conn, state.job.job))
    flags = assessed.flags if assessed else ()
    forecast = assessed.forecast if assessed else None
    if forecast is not None and forecast.made_at > shown.end + _FRESH:
        forecast = None  # the window ends before it was made
    return Scene(state.job, shown.start, shown.end, times, options, flags, openings, units, forecast)


def figures_of(window: Window, scene: Scene, location: Location) -> list[Figure]:
    """The charts about one location that show its readings."""
    job = scene.job
    room, outdoor = job.room_of(location), job.outdoor()
    others = [air for air in (room, outdoor) if air is not None and air.id != location.id]
    loaded = {spot.id: window.series(spot.id) for spot in (location, *others)}
    beside = others if outdoor is None or room is None else [room]
    figures = [
        _lines(scene, Measure.RELATIVE_HUMIDITY, "rh", "Relative humidity", location, beside, loaded),
        _lines(scene, Measure.VAPOUR_PRESSURE, "vp", spelled("Vapour pressure"), location, others, loaded),
    ]
    if np.isfinite(loaded[location.id].surface_c).any():
        figures.append(_surface(scene, "Surface temperature against dew point", location, loaded[location.id]))
    return figures


def air_figures(window: Window, scene: Scene, location: Location) -> list[Figure]:
    """Temperature and water in the air, at a location and around it: what humidity and vapour pressure follow from."""
    job = scene.job
    others = [air for air in (job.room_of(location), job.outdoor()) if air is not None and air.id != location.id]
    loaded = {spot.id: window.series(spot.id) for spot in (location, *others)}
    return [
        _lines(scene, Measure.TEMPERATURE, "temperature", "Temperature", location, others, loaded),
        _lines(scene, Measure.HUMIDITY_RATIO, "water", "Water in the air", location, others, loaded),
    ]


def surface_figures(window: Window, scene: Scene, surface: Location) -> list[Figure]:
    """The surface of another location than the one that the page is about, where it is known."""
    series = window.series(surface.id)
    if not np.isfinite(series.surface_c).any():
        return []
    return [_surface(scene, f"Surface temperature against dew point, {surface.label}", surface, series)]


def _lines(
    scene: Scene,
    measure: Measure,
    name: str,
    title: str,
    location: Location,
    others: list[Location],
    loaded: dict[str, LocationSeries],
) -> Figure:
    """One measure at a location and in the air around it."""
    spots = [location, *others]
    traces = [
        _trace(scene, loaded[spot.id], measure, f"s{order}", SHORT_KINDS[spot.kind], band=order == 1)
        for order, spot in enumerate(spots, start=1)
    ]
    humidity, unit = measure is Measure.RELATIVE_HUMIDITY, scene.unit(UNITS[measure])
    points = _humidity_points(scene, location) if humidity else ()
    levels = _goal(location) if humidity else ()
    window, bars, words = expected(scene, levels[0].value if levels else None)
    chart = Chart(
        title=title,
        description=" ".join((described(scene, title, location, traces, unit, points), *words)),
        unit=unit,
        window=window,
        traces=(*traces, *bars),
        points=points,
        levels=levels,
        markers=scene.markers(location),
        outs=scene.outs,
        min_span=scene.size(_MIN_SPANS[measure], UNITS[measure]),
        floor=None if measure is Measure.TEMPERATURE else 0.0,
        ceiling=100.0 if humidity else None,
    )
    rings = ["Rings: spot readings, the bar is the uncertainty."] if points else []
    hours = _by_hour(loaded[location.id], measure)
    said = [f"{title} in {unit}.", *rings, *words, *hours, *remarks(scene, traces[0], unit)]
    return figure(name, location, chart, said, [f"{spot.id}:{measure}" for spot in spots])


def _by_hour(series: LocationSeries, measure: Measure) -> list[str]:
    """What of each hour is drawn, where a line does not go by readings."""
    if not series.by_hour:
        return []
    if series.extremes(measure) is not None:
        return ["Drawn by the hour: median, lowest and highest of each."]
    return ["Drawn by the hour, by medians: a peak shorter than an hour may not show; humidity shows each."]


def _humidity_points(scene: Scene, location: Location) -> tuple[Point, ...]:
    return tuple(
        Point(spot.at.timestamp(), spot.corrected, COVERAGE * (spot.u or _HYGROMETER_U_PCT))
        for spot in scene.job.spots_at(location.id)
        if spot.kind is SpotKind.RELATIVE_HUMIDITY
    )


def _surface(scene: Scene, title: str, location: Location, series: LocationSeries) -> Figure:
    """The surface temperature against the dew point of the air that touches it, and what lies near that."""
    unit, near = scene.unit("°C"), scene.size(scene.options.margin_warn_k, "K")
    margin = scene.unit("K")
    surface = _trace(scene, series, Measure.SURFACE_TEMPERATURE, "s1", "surface", band=False)
    dew = _trace(scene, series, Measure.DEW_POINT, "s2", "dew point", band=False)
    close = Trace("s3", f"dew point + {near:.3g} {margin}", dew.time_s, dew.value + near, None, dew.interval_s)
    points = tuple(
        Point(
            spot.at.timestamp(),
            value_in(spot.corrected, "°C", scene.units),
            scene.size(COVERAGE * (spot.u or _TOUCH_U_K), "K"),
        )
        for spot in scene.job.spots_at(location.id)
        if spot.kind is SpotKind.SURFACE_TEMPERATURE
    )
    chart = Chart(
        title=title,
        description=described(scene, "Temperature", location, [surface, dew], unit, points),
        unit=unit,
        window=scene.window,
        traces=(surface, dew, close),
        points=points,
        markers=scene.markers(location),
        min_span=scene.size(4.0, "K"),
        shades=(Shade(2, 1, above="near"), Shade(0, 1, below="wet")),
    )
    said = [
        f"Temperature in {unit}. Light: within {near:.3g} {margin} of the dew point, where condensation is near. Dark: "
        "the surface is below the dew point, and wet."
    ]
    if not np.isfinite(series.values.surface_temperature_c).any():
        said.append("The surface temperature is by its temperature factor f_Rsi, from room and outdoor air.")
    said += _by_hour(series, Measure.DEW_POINT)
    if points:
        said.append("Rings: spot readings, the bar is the uncertainty.")
    u = COVERAGE * np.hypot(series.u_surface_k, series.values.u_dew_point_k)
    if np.isfinite(u).any():
        typical = scene.size(float(np.nanmedian(u)), "K")
        said.append(f"Uncertainty of the margin: {uncertainty(typical)}\u00a0{margin}.")
    traced = [
        f"{location.id}:{Measure.SURFACE_TEMPERATURE}",
        f"{location.id}:{Measure.DEW_POINT}",
        f"{location.id}:{Measure.NEAR_DEW_POINT}",
    ]
    return figure(SURFACE, location, chart, [*said, *remarks(scene, surface, margin)], traced)


def _trace(scene: Scene, series: LocationSeries, measure: Measure, style: str, label: str, *, band: bool) -> Trace:
    value, u = series.of(measure)
    read = Trace(
        style=style,
        label=label,
        time_s=series.values.time_s,
        value=value,
        uncertainty=COVERAGE * u if band else None,
        interval_s=series.interval_s,
        extremes=series.extremes(measure),
    )
    return scene.trace(read, UNITS[measure])


def _goal(location: Location) -> tuple[Level, ...]:
    goal = location.goal
    if goal is None or goal.metric not in (GoalMetric.RH, GoalMetric.EQUILIBRIUM_RH):
        return ()
    return (Level(goal.limit, f"goal {goal.limit:g}"),)
