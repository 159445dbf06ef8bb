"""Where the name of each line stands: beside its own line, clear of the others."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitord.charts.parts import Array

_CHARACTER, _HEIGHT, _AIR = 7.2, 13.0, 4.0
"""Rough size of bold text at 12 px, and the space between a name and a line. [px]"""
_LOCATIONS = (0.16, 0.26, 0.38, 0.5, 0.62, 0.74, 0.84, 0.08, 0.92)
"""Shares of the plot's width at which a name may begin, in order of liking."""


@dataclass(frozen=True)
class Ribbon:
    """A line with its band on the drawing: at each x, ascending, the upper and the lower edge, y growing downwards.
    [px]"""

    x: Array
    upper: Array
    lower: Array
    _found: dict[tuple[float, float], tuple[float, float] | None] = field(default_factory=dict, compare=False)

    def within(self, left: float, right: float) -> tuple[float, float] | None:
        """Highest and lowest edge between two x; None where it is not there."""
        if (left, right) not in self._found:  # two heights are tried at each x
            self._found[left, right] = self._within(left, right)
        return self._found[left, right]

    def _within(self, left: float, right: float) -> tuple[float, float] | None:
        first, end = np.searchsorted(self.x, (left, np.nextafter(right, np.inf)))
        if first >= end:
            return None
        return float(self.upper[first:end].min()), float(self.lower[first:end].max())


@dataclass(frozen=True)
class Box:
    """A rectangle on the drawing. [px]"""

    left: float
    top: float
    right: float
    bottom: float

    def overlap(self, other: Box) -> float:
        """Area in both."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(0.0, wide) * max(0.0, high)


def text_box(x: float, baseline: float, text: str) -> Box:
    """About the room a text takes that begins at x."""
    return Box(x, baseline - _HEIGHT + 2.0, x + _CHARACTER * len(text), baseline + 3.0)


def name_positions(names: list[str], ribbons: list[Ribbon], plot: Box, taken: list[Box]) -> list[tuple[float, float]]:
    """For each name the x of its beginning and its baseline.

    Parameters
    ----------
    ribbons : One for each name, in the same order.
    taken : Room that other words and signs have taken already.
    """
    taken, placed = list(taken), []
    for own, name in enumerate(names):
        spots = _spots(name, ribbons[own], plot)
        best = min(
            enumerate(spots), key=lambda spot: (_cost(spot[1], name, own, ribbons, plot, taken), spot[0]), default=None
        )
        x, baseline = best[1] if best is not None else (plot.left + 8.0, plot.top + 2.0 * _HEIGHT)
        taken.append(text_box(x, baseline, name))
        placed.append((x, baseline))
    return placed


def _spots(name: str, ribbon: Ribbon, plot: Box) -> list[tuple[float, float]]:
    width = _CHARACTER * len(name)
    found = []
    for share in _LOCATIONS:
        x = plot.left + share * (plot.right - plot.left)
        edges = ribbon.within(x, x + width)
        if edges is not None and x + width <= plot.right:
            found += [(x, edges[0] - _AIR), (x, edges[1] + _AIR + _HEIGHT - 2.0)]
    return found


def _cost(spot: tuple[float, float], name: str, own: int, ribbons: list[Ribbon], plot: Box, taken: list[Box]) -> float:
    """How much of a name's room is lost to lines and other words, or lies outside the plot. [px²]"""
    box = text_box(*spot, name)
    cost = sum(box.overlap(other) for other in taken)
    width = box.right - box.left
    cost += 3.0 * width * (max(0.0, plot.top - box.top) + max(0.0, box.bottom - plot.bottom))
    for index, ribbon in enumerate(ribbons):
        edges = ribbon.within(box.left - 4.0, box.right + 4.0)
        if edges is not None and index != own:
            cost += box.overlap(Box(box.left, edges[0] - 2.0, box.right, edges[1] + 2.0))
    return cost
