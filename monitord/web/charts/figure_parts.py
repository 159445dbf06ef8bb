"""What all charts of a page share: the scene, what stands under a chart, and how to read it without seeing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from markupsafe import Markup

from monitord.charts.decimate import gaps
from monitord.charts.draw import draw
from monitord.charts.parts import NARROW, WIDE, Array, Chart, Marker, Out, Point, Trace, Window
from monitord.charts.time_axis import clock_change
from monitord.model.assessments import Forecast, QualityFlag
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location
from monitord.model.units import Units, size_in, unit_in, value_in
from monitord.text.faults import fault_sentence
from monitord.text.formats import decimals_of
from monitord.text.times import offset_name
from monitord.web.charts.event_markers import Opening, markers_of
from monitord.web.text.formats import number, uncertainty, with_uncertainty
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import speaker_of

_GAPS_TOLD = 3
_BEYOND = 0.03
"""How far a chart runs on after the bar of a forecast, as a share of what is shown (our choice)."""


@dataclass(frozen=True)
class DayTable:
    """A chart's values, a row for each day, the newest first."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


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
    table: DayTable | None = None
    """The same day by day; None: the readings say it."""


@dataclass(frozen=True)
class Scene:
    """What all figures of a page share, and all that they depend on but for readings."""

    job: JobFile
    start: datetime
    end: datetime
    times: LocalTimes
    """Of them figures take the zone and the reader's year alone."""
    options: AnalysisOptions
    flags: tuple[QualityFlag, ...]
    openings: tuple[Opening, ...]
    units: Units = Units.METRIC
    """What the numbers of every chart are read in."""
    forecast: Forecast | None = None
    """When the location's goal is expected, as of the end of the window."""

    @property
    def window(self) -> Window:
        """The chosen time as a chart takes it."""
        return Window(self.start.timestamp(), self.end.timestamp(), self.job.zone)

    def markers(self, location: Location) -> tuple[Marker, ...]:
        """What happened at a location."""
        return markers_of(self.job, location, self.openings, self.start, self.end, self.times)

    def unit(self, unit: str) -> str:
        """The sign of a unit as it is read."""
        return unit_in(unit, self.units)

    def size(self, difference: float, unit: str) -> float:
        """A difference as it is read."""
        return size_in(difference, unit, self.units)

    def trace(self, trace: Trace, unit: str) -> Trace:
        """A line in the units that it is read in."""
        u, ends = trace.uncertainty, trace.extremes
        return replace(
            trace,
            value=value_in(trace.value, unit, self.units),
            extremes=None
            if ends is None
            else (value_in(ends[0], unit, self.units), value_in(ends[1], unit, self.units)),
            uncertainty=None if u is None else size_in(u, unit, self.units),
        )

    @property
    def outs(self) -> tuple[Out, ...]:
        """Times that are excluded."""
        return tuple(Out(f.start.timestamp(), (f.end or self.end).timestamp()) for f in self.flags)


def figure(
    name: str,
    location: Location,
    chart: Chart,
    remarks: Iterable[str],
    traces: Iterable[str],
    table: DayTable | None = None,
) -> Figure:
    """A chart drawn in both sizes, with its words."""
    return Figure(
        id=name,
        location=location.id,
        title=chart.title,
        wide=Markup(draw(chart, WIDE)),
        narrow=Markup(draw(chart, NARROW)),
        captions=(" ".join(remarks),),
        markers=chart.markers,
        traces=tuple(traces),
        labels=tuple(trace.label for trace in chart.traces),
        table=table,
    )


def expected(scene: Scene, goal: float | None) -> tuple[Window, tuple[Trace, ...], list[str]]:
    """A chart's window, running on to where the goal is expected; a bar there on the goal's line; and what it says.

    It runs on by as much as is shown at most; a goal that is expected later has no bar.
    """
    window, forecast = scene.window, scene.forecast
    if goal is None or forecast is None or forecast.low is None:
        return window, (), []
    latest, low = window.end_s + window.length_s, forecast.low.timestamp()
    high = latest if forecast.high is None else min(forecast.high.timestamp(), latest)
    if not window.end_s < high or low >= latest:
        return window, (), []
    speaker = speaker_of(scene.times)
    words = f"not before {speaker.day(forecast.low)}" if low > window.end_s else "any day, or perhaps not in this air"
    if forecast.high is not None:
        words = f"{speaker.days(forecast.low, forecast.high)}, with a chance of 80\u00a0%"
    bar = Trace("expected", "", np.array([low, high]), np.full(2, goal), interval_s=max(high - low, 1.0))
    end_s = min(high + _BEYOND * window.length_s, latest)
    return Window(window.start_s, end_s, window.zone), (bar,), [f"Bar on the goal: expected {words}."]


def remarks(scene: Scene, first: Trace, unit: str) -> list[str]:
    """What has to be said under the chart: the uncertainty, gaps, times that do not count, a change of the clocks."""
    window, times = scene.window, scene.times
    said = []
    typical = _typical(first, window, unit)
    if typical is not None:
        said.append(f"Shaded: the uncertainty, {typical}\u00a0{unit}.")
    found = gaps(first, window.start_s, window.end_s)
    if found:
        told = "; ".join(times.span(_utc(a), _utc(b)) for a, b in found[-_GAPS_TOLD:])
        more = f", and {len(found) - _GAPS_TOLD} before" if len(found) > _GAPS_TOLD else ""
        said.append(f"No readings: {told}{more}.")
    for flag in scene.flags:
        end = flag.end or scene.end
        if flag.start < scene.end and end > scene.start:
            why = fault_sentence(speaker_of(times), flag.why)
            said.append(f"Grey, excluded: {times.span(flag.start, end)}, {why}.")
    change = clock_change(window)
    if change:
        start = datetime.fromtimestamp(window.start_s, window.zone).utcoffset()
        said.append(f"The clocks changed, from {offset_name(start) if start is not None else 'UTC'}.")
    return said


def _typical(trace: Trace, window: Window, unit: str) -> str | None:
    if trace.uncertainty is None:
        return None
    inside = (trace.time_s >= window.start_s) & (trace.time_s <= window.end_s) & np.isfinite(trace.uncertainty)
    if not inside.any():
        return None
    return uncertainty(float(np.median(trace.uncertainty[inside])))


def described(
    scene: Scene, title: str, location: Location, traces: Sequence[Trace], unit: str, points: Sequence[Point] = ()
) -> str:
    """The course of each line in words."""
    period = scene.times.span(scene.start, _seen_end(scene, traces))
    return f"{title} at {location.label}, {period}. " + " ".join(
        (*(_course(t, scene, unit) for t in traces), *_by_hand(points, scene, unit))
    )


def _seen_end(scene: Scene, traces: Sequence[Trace]) -> datetime:
    """The window's end, or the newest value that is drawn, where that is earlier."""
    window, newest = scene.window, scene.start.timestamp()
    for trace in traces:
        known = trace.time_s[np.isfinite(trace.value) & (trace.time_s <= window.end_s)]
        newest = max(newest, float(known[-1])) if len(known) else newest
    return _utc(newest) if newest > window.start_s else scene.end


def _by_hand(points: Sequence[Point], scene: Scene, unit: str) -> list[str]:
    """What was measured by hand in the window, in words."""
    window = scene.window
    inside = [point for point in points if window.start_s <= point.time_s <= window.end_s]
    if not inside:
        return []
    values = [with_uncertainty(p.value, p.uncertainty, unit) for p in inside]
    said = [f"{value} {unit} on {scene.times.stamp(_utc(p.time_s))}" for value, p in zip(values, inside, strict=True)]
    return [f"Spot readings: {'; '.join(said)}."]


def _course(trace: Trace, scene: Scene, unit: str) -> str:
    window = scene.window
    inside = (trace.time_s >= window.start_s) & (trace.time_s <= window.end_s) & np.isfinite(trace.value)
    time_s, value, lowest, highest = (part[inside] for part in (trace.time_s, trace.value, trace.lowest, trace.highest))
    if not len(value):
        return f"{trace.label.capitalize()}: no readings."
    low, high = int(np.argmin(lowest)), int(np.argmax(highest))

    def at(values: Array, index: int) -> str:
        return f"{number(float(values[index]), decimals_of(unit))} {unit}".strip()

    def when(index: int) -> str:
        return scene.times.stamp(_utc(float(time_s[index])))

    return (
        f"{trace.label.capitalize()}: from {at(value, 0)} to {at(value, -1)}; "
        f"lowest {at(lowest, low)} on {when(low)}, highest {at(highest, high)} on {when(high)}."
    )


def _utc(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)
