"""The progress bar of a tile: from where a location started to its goal, with the uncertainty of where it is now."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.model.assessments import Drying
from monitord.web.text.formats import decimals_of, number

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


def progress_bar_of(drying: Drying | None, coverage: float) -> ProgressBar | None:
    """The bar; None where there is no value now, or the start was no farther from the goal than the goal itself."""
    if drying is None or drying.value is None or drying.start_value is None:
        return None
    way = drying.start_value - drying.limit
    if way <= 0:
        return None
    decimals = decimals_of(drying.unit)

    def x(value: float) -> float:
        return min(max((drying.start_value - value) / way * GOAL_X, 0.0), float(WIDTH))  # type: ignore[operator]

    value, u = drying.value.value, coverage * (drying.value.u or 0.0)
    left, right = x(value + u), x(value - u)
    said = f" ± {number(u, decimals)}" if drying.value.u is not None else ""
    return ProgressBar(
        done=round(x(value)),
        uncertainty_x=round(left),
        uncertainty_width=round(right - left),
        words=(
            f"Started at {number(drying.start_value, decimals)} {drying.unit}, now {number(value, decimals)}{said} "
            f"{drying.unit}, goal {drying.limit:.4g} {drying.unit}"
        ),
        start=f"start {number(drying.start_value, decimals if decimals > 1 else 0)}",
        goal=f"goal {drying.limit:.4g}",
    )
