"""Lists each miss, false alarm, untrue claim and poor forecast, for tuning."""

from __future__ import annotations

import math

from simulators.evaluation.scoring import Score


def print_details(score: Score) -> None:
    """Print all of them, by topic."""
    for item in sorted(score.items(), key=lambda i: (i.topic, i.what, i.case, i.key, i.day)):
        day = "  –  " if math.isnan(item.day) else f"{item.day:5.1f}"
        print(f"{item.topic}, {item.what} | {item.case} | {item.key} | day {day} | {item.words}")
