"""A chart as SVG. Every mark has a class and none a colour, so light, dark, print and paper need one drawing."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

import numpy as np

from monitord.charts.decimate import Buckets, buckets, line_points
from monitord.charts.labels import Box, Ribbon, name_positions, text_box
from monitord.charts.parts import Array, Chart, Size
from monitord.charts.shade import shaded
from monitord.charts.time_axis import time_ticks
from monitord.charts.value_axis import ValueAxis, value_axis

_BUCKET_PX = 2.0
_TICK_PX = 76
"""Least room between two time labels. [px]"""
_FLAG_R = 9.0
_LEVELS_APART = 34.0
"""Room for a word under each of two levels. [px]"""


class _Frame:
    """From times and values to the drawing's units."""

    def __init__(self, chart: Chart, size: Size) -> None:
        self.chart, self.size = chart, size
        self.axis: ValueAxis = value_axis(chart, 7 if size.plot_height > 240 else 6)
        self.bottom = size.top + size.plot_height
        self.right = size.left + size.plot_width

    def x(self, time_s: Array) -> Array:
        share = (time_s - self.chart.window.start_s) / self.chart.window.length_s
        return self.size.left + self.size.plot_width * share

    def y(self, value: Array) -> Array:
        return self.bottom - self.size.plot_height * (value - self.axis.low) / (self.axis.high - self.axis.low)

    @property
    def plot(self) -> Box:
        return Box(self.size.left, self.size.top, self.right, self.bottom)


def draw(chart: Chart, size: Size) -> str:
    """The chart as one SVG element, complete with its description.

    `data-start` and `data-end` give the window in ms, `data-left` and `data-right` where it lies on the drawing, for
    a script that lets people point at it.
    """
    frame = _Frame(chart, size)
    window = chart.window
    found = [buckets(t, window.start_s, window.end_s, round(size.plot_width / _BUCKET_PX)) for t in chart.traces]
    inner = "".join(
        (
            *_grid(frame),
            f'<svg x="{size.left}" y="{size.top}" width="{size.plot_width}" height="{size.plot_height}" '
            f'viewBox="{size.left} {size.top} {size.plot_width} {size.plot_height}">',
            *_outs(frame),
            *_shades(frame, found),
            *_bands(frame, found),
            *_lines(frame, found),
            *_levels(frame),
            *_points(frame),
            "</svg>",
            *_words(frame, found),
        )
    )
    return (
        f'<svg class="chart chart-{size.name}" viewBox="0 0 {size.width} {size.height}" role="img" '
        f'aria-label="{escape(chart.description)}" data-start="{window.start_s * 1000:.0f}" '
        f'data-end="{window.end_s * 1000:.0f}" data-left="{size.left}" data-right="{frame.right}" '
        f'data-top="{size.top}" data-bottom="{frame.bottom}">{inner}</svg>'
    )


def _grid(frame: _Frame) -> Iterator[str]:
    size, ticks = frame.size, time_ticks(frame.chart.window, max(2, frame.size.plot_width // _TICK_PX))
    values = frame.axis.ticks
    ys, xs = frame.y(np.array(values)), frame.x(np.array([tick.time_s for tick in ticks]))
    yield '<path class="grid" d="'
    yield "".join(f"M{size.left} {y:.1f}h{size.plot_width}" for y in ys)
    yield "".join(f"M{x:.1f} {size.top}v{size.plot_height}" for x in xs) + '"/>'
    for value, y in zip(values, ys, strict=True):
        yield f'<text class="y" x="{size.left - 6}" y="{y + 4:.1f}">{frame.axis.label(value)}</text>'
    if frame.chart.unit:
        yield f'<text class="unit" x="2" y="{size.top - 12}">{escape(frame.chart.unit)}</text>'
    for tick, x in zip(ticks, xs, strict=True):
        half = 3.3 * len(tick.label)
        held = min(max(x, size.left - 30 + half), size.width - half)
        kind = "x day" if tick.major else "x"
        yield f'<text class="{kind}" x="{held:.1f}" y="{frame.bottom + 20}">{escape(tick.label)}</text>'


def _outs(frame: _Frame) -> Iterator[str]:
    for out in frame.chart.outs:
        left, right = (float(x) for x in np.clip(frame.x(np.array([out.start_s, out.end_s])), 0, frame.size.width))
        yield f'<rect class="out" x="{left:.1f}" y="{frame.size.top}" width="{max(1.0, right - left):.1f}" '
        yield f'height="{frame.size.plot_height}"/>'


def _shades(frame: _Frame, found: list[Buckets]) -> Iterator[str]:
    for shade in frame.chart.shades:
        for above, corners in shaded(found[shade.first], found[shade.second]):
            kind = shade.above if above else shade.below
            if kind is None:
                continue
            yield f'<path class="{kind}" d="M{_points_of(frame.x(corners[0]), frame.y(corners[1]))}Z"/>'


def _bands(frame: _Frame, found: list[Buckets]) -> Iterator[str]:
    """The uncertainty around a line, or, where a line has none, the range of the values behind each of its points."""
    for trace, b in zip(frame.chart.traces, found, strict=True):
        if trace.uncertainty is None and not (b.high > b.low).any():
            continue
        uncertainty = b.uncertainty if trace.uncertainty is not None else 0.0
        x, upper, lower = frame.x(b.time_s), frame.y(b.high + uncertainty), frame.y(b.low - uncertainty)
        parts = []
        for stretch in _stretches(b.run):
            px = np.concatenate((x[stretch], x[stretch][::-1]))
            py = np.concatenate((upper[stretch], lower[stretch][::-1]))
            known = np.isfinite(py)
            parts.append(f"M{_points_of(px[known], py[known])}Z")
        kind = "band" if trace.uncertainty is not None else "range"
        yield f'<path class="{kind} {trace.style}" d="{"".join(part for part in parts if part != "MZ")}"/>'


def _lines(frame: _Frame, found: list[Buckets]) -> Iterator[str]:
    # the first trace is what the chart is about, so it is drawn last, on top
    for trace, b in reversed(list(zip(frame.chart.traces, found, strict=True))):
        if not len(b):
            continue
        time_s, value, run = line_points(b) if trace.uncertainty is not None else (b.time_s, b.mean, b.run)
        x, y = frame.x(time_s), frame.y(value)
        parts = []
        for stretch in _stretches(run):
            parts.append(f"M{_points_of(x[stretch], y[stretch])}" + ("h.01" if len(x[stretch]) == 1 else ""))
        yield f'<path class="line {trace.style}" d="{"".join(parts)}"/>'


def _points_of(x: Array, y: Array) -> str:
    """`12.0 34.5L13.0 33.1`: the corners of a path after its first letter."""
    numbers = np.column_stack((x, y)).ravel().tolist()
    return "L".join(["%.1f %.1f"] * len(x)) % tuple(numbers)


def _levels(frame: _Frame) -> Iterator[str]:
    for level in frame.chart.levels:
        y = float(frame.y(np.array([level.value]))[0])
        yield f'<path class="{level.style}" d="M{frame.size.left} {y:.1f}h{frame.size.plot_width}"/>'


def _points(frame: _Frame) -> Iterator[str]:
    """What was measured by hand: a ring with a bar as long as its uncertainty."""
    for point in frame.chart.points:
        x = float(frame.x(np.array([point.time_s]))[0])
        y, top, bottom = (
            float(v) for v in frame.y(point.value + (point.uncertainty or 0.0) * np.array([0.0, 1.0, -1.0]))
        )
        ends = "".join(f"M{x - 4:.1f} {end:.1f}h8" for end in (top, bottom))
        yield f'<path class="bar" d="M{x:.1f} {top:.1f}V{bottom:.1f}{ends}"/>'
        yield f'<circle class="spot" cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>'


def _words(frame: _Frame, found: list[Buckets]) -> Iterator[str]:
    """Markers, the levels' words, and the lines' names where they hide nothing."""
    ribbons = [_ribbon(frame, b) for b in found]
    taken = []
    for marker in frame.chart.markers:
        x, y = float(frame.x(np.array([marker.time_s]))[0]), frame.size.top + _FLAG_R
        taken.append(Box(x - _FLAG_R, y - _FLAG_R, x + _FLAG_R, y + _FLAG_R))
        taken.append(Box(x - 2.0, frame.size.top, x + 2.0, frame.bottom))
        yield f'<path class="note" d="M{x:.1f} {frame.size.top}v{frame.size.plot_height}"/>'
        yield f'<circle class="flag" cx="{x:.1f}" cy="{y:.1f}" r="{_FLAG_R:.0f}"/>'
        yield f'<text class="letter" x="{x:.1f}" y="{y + 4:.1f}">{escape(marker.letter)}</text>'
    for point in frame.chart.points:
        x = float(frame.x(np.array([point.time_s]))[0])
        edges = frame.y(point.value + (point.uncertainty or 0.0) * np.array([1.0, -1.0]))
        taken.append(Box(x - 6.0, float(edges[0]) - 6.0, x + 6.0, float(edges[1]) + 6.0))
    for level in frame.chart.levels:
        if not level.label:
            continue
        y, box = _level_word(frame, level.value, level.label, ribbons, taken)
        taken.append(box)
        yield f'<text class="{level.style}-word" x="{frame.right}" y="{y:.1f}">{escape(level.label)}</text>'
    shown = [
        (trace, ribbon)
        for trace, ribbon in zip(frame.chart.traces, ribbons, strict=True)
        if len(ribbon.x) and trace.label
    ]
    if not shown:
        middle = frame.size.left + frame.size.plot_width / 2
        yield f'<text class="x" x="{middle:.0f}" y="{frame.size.top + 60}">No readings in this time</text>'
    names = [trace.label for trace, _ in shown]
    spots = name_positions(names, [ribbon for _, ribbon in shown], frame.plot, taken)
    for (trace, _), (x, y) in zip(shown, spots, strict=True):
        yield f'<text class="name {trace.style}" x="{x:.1f}" y="{y:.1f}">{escape(trace.label)}</text>'


def _level_word(frame: _Frame, value: float, label: str, ribbons: list[Ribbon], taken: list[Box]) -> tuple[float, Box]:
    """Baseline of a level's word at the right end: under its line unless something is in the way there.

    Where another level is close below, its own stands above.
    """
    y = float(frame.y(np.array([value]))[0])
    below = [v for v in (float(frame.y(np.array([other.value]))[0]) for other in frame.chart.levels) if v > y]
    crowded = bool(below) and min(below) - y < _LEVELS_APART
    choices = []
    for baseline in (y - 6.0,) if crowded else (y + 15.0, y - 6.0):
        box = text_box(0.0, baseline, label)
        box = Box(frame.right - box.right, box.top, float(frame.right), box.bottom)
        inside = frame.size.top <= box.top and box.bottom <= frame.bottom + 3.0
        edges = [ribbon.within(box.left, box.right) for ribbon in ribbons]
        lost = sum(box.overlap(Box(box.left, e[0], box.right, e[1])) for e in edges if e is not None)
        lost += 4.0 * sum(box.overlap(other) for other in taken)  # a word over a word is worse than one over a line
        choices.append((not inside, lost, baseline, box))
    _, _, baseline, box = min(choices, key=lambda choice: choice[:2])
    return baseline, box


def _ribbon(frame: _Frame, b: Buckets) -> Ribbon:
    x, uncertainty = frame.x(b.time_s), np.nan_to_num(b.uncertainty)
    seen = (x >= frame.size.left) & (x <= frame.right)
    return Ribbon(x[seen], frame.y(b.high + uncertainty)[seen], frame.y(b.low - uncertainty)[seen])


def _stretches(run: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Iterator[slice]:
    starts = np.flatnonzero(np.r_[True, np.diff(run) != 0])
    for start, end in zip(starts, np.r_[starts[1:], len(run)], strict=True):
        yield slice(int(start), int(end))
