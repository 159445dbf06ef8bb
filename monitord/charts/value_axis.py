"""A value axis that ends on round numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitord.charts.parts import Array, Chart

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True)
class ValueAxis:
    """From `low` to `high` in steps."""

    low: float
    high: float
    step: float

    @property
    def ticks(self) -> list[float]:
        """The values that are labelled."""
        return [self.low + i * self.step for i in range(round((self.high - self.low) / self.step) + 1)]

    @property
    def decimals(self) -> int:
        """How many decimals a label needs."""
        return next((d for d in range(6) if abs(round(self.step, d) - self.step) < 1e-9 * self.step), 6)

    def label(self, value: float) -> str:
        """A tick's label, with a true minus sign."""
        text = f"{value:.{self.decimals}f}"
        return "0" if float(text) == 0.0 else text.replace("-", "−")


def value_axis(chart: Chart, maximum: int) -> ValueAxis:
    """The axis that holds every value with its band and every level, with at most `most` steps."""
    low, high = _extent(chart)
    short = chart.min_span - (high - low)
    if short > 0:
        low, high = low - short / 2, high + short / 2
        if chart.ceiling is not None and high > chart.ceiling >= high - short / 2:
            low, high = low - (high - chart.ceiling), chart.ceiling
        if chart.floor is not None and low < chart.floor <= low + short / 2:
            low, high = chart.floor, high + (chart.floor - low)
    return nice_axis(low, high, maximum)


def nice_axis(low: float, high: float, maximum: int) -> ValueAxis:
    """The axis with the smallest round step that covers low..high in at most `most` steps."""
    if not high > low:
        high = low + 1.0
    power = 10.0 ** math.floor(math.log10((high - low) / maximum))
    for multiple in (*_STEPS, 20.0, 25.0, 50.0, 100.0):
        step = multiple * power
        first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
        if last - first <= maximum:
            return ValueAxis(first * step, last * step, step)
    raise AssertionError("a step of a hundred times the least always fits")


def _extent(chart: Chart) -> tuple[float, float]:
    lows, highs = [level.value for level in chart.levels], [level.value for level in chart.levels]
    for point in chart.points:
        if chart.window.start_s <= point.time_s <= chart.window.end_s:
            lows.append(
                max(point.value - (point.uncertainty or 0.0), chart.floor if chart.floor is not None else -np.inf)
            )
            highs.append(point.value + (point.uncertainty or 0.0))
    for trace in chart.traces:
        inside = (trace.time_s >= chart.window.start_s) & (trace.time_s <= chart.window.end_s)
        inside &= np.isfinite(trace.value)
        if inside.any():
            low, high = trace.lowest[inside], trace.highest[inside]
            band = np.zeros_like(low) if trace.uncertainty is None else np.nan_to_num(trace.uncertainty[inside])
            lows.append(_lowest(low, float(np.min(low - band)), chart.floor))
            highs.append(_highest(high, float(np.max(high + band)), chart.ceiling))
    return (min(lows), max(highs)) if lows else (chart.floor or 0.0, (chart.floor or 0.0) + chart.min_span)


def _lowest(value: Array, edge: float, floor: float | None) -> float:
    """The lower edge of a band, cut at the floor unless values themselves lie below it."""
    return edge if floor is None else min(max(edge, floor), float(np.min(value)))


def _highest(value: Array, edge: float, ceiling: float | None) -> float:
    """The upper edge of a band, cut at the ceiling unless values themselves lie above it."""
    return edge if ceiling is None else max(min(edge, ceiling), float(np.max(value)))
