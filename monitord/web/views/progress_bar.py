"""The progress bar of a tile: from where a location started to its goal, with the uncertainty of where it is now."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.model.assessments import Drying
from monitord.text.formats import COVERAGE, TIE
from monitord.web.text.formats import with_uncertainty

WIDTH, GOAL_X = 300, 258
"""Of the drawing, and where the goal stands on it."""


@dataclass(frozen=True)
class ProgressBar:
    """What is drawn, in the drawing's units, and what is said instead of it."""

    done: int
    uncertainty_x: int
    uncertainty_width: int
    words: str
    start: str
    goal: str


def progress_bar_of(drying: Drying | None) -> ProgressBar | None:
    """The bar; None where there is no value now, or the start was no farther from the goal than the goal itself."""
    if drying is None or drying.value is None or drying.start_value is None:
        return None
    way = drying.start_value - drying.limit
    if way <= 0:
        return None

    def x(value: float) -> float:
        return min(max((drying.start_value - value) / way * GOAL_X, 0.0), float(WIDTH))  # type: ignore[operator]

    value, u = drying.value.value, COVERAGE * (drying.value.u or 0.0)
    left, right = x(value + u), x(value - u)
    start, now = (with_uncertainty(shown, u, drying.unit) for shown in (drying.start_value, value))
    start = start.split(TIE)[0]  # of its uncertainty nothing is kept
    return ProgressBar(
        done=round(x(value)),
        uncertainty_x=round(left),
        uncertainty_width=round(right - left),
        words=(f"Started at {start} {drying.unit}, now {now} {drying.unit}, goal {drying.limit:.4g} {drying.unit}"),
        start=f"start {start}",
        goal=f"goal {drying.limit:.4g}",
    )
