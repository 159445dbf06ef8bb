"""The numbers of an evaluation by name: what the table shows, the JSON file holds and the regression gate reads."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Iterator

from simulators.evaluation.forecasts import ForecastScore
from simulators.evaluation.goals import GoalScore
from simulators.evaluation.matching import DAY_S, HOUR_S, EventScore
from simulators.evaluation.nights import NightScore
from simulators.evaluation.scoring import Score
from simulators.evaluation.sleeves import HORIZONS_H, SleeveScore

Named = Iterator[tuple[str, float]]


def percent(part: float, whole: float) -> float:
    """Share in percent; NaN of nothing."""
    return 100.0 * part / whole if whole else math.nan


def _median(values: Iterable[float], unit: float) -> float:
    kept = list(values)
    return statistics.median(kept) / unit if kept else math.nan


def numbers(score: Score) -> dict[str, float]:
    """All numbers of a score. NaN: there was nothing to count."""
    found: dict[str, float] = {"jobs": float(score.jobs)}
    for topic, events in score.events.items():
        found.update((f"{topic}.{name}", value) for name, value in _events(events))
    found.update((f"at goal.{name}", value) for name, value in _goals(score.goals))
    found.update((f"sleeve.{name}", value) for name, value in _sleeves(score.sleeves))
    found.update((f"forecast.{name}", value) for name, value in _forecasts(score.forecasts))
    found.update((f"night.{name}", value) for name, value in _nights(score.nights))
    return found


def _nights(score: NightScore) -> Named:
    yield "wet", score.wet
    yield "foretold_pct", percent(score.foretold, score.wet)
    yield "dry", score.dry
    yield "false_pct", percent(score.cried, score.dry)
    yield "unsaid_pct", percent(score.unsaid, score.wet + score.dry)
    yield "lead_h", _median(score.leads_s, HOUR_S)
    yield "error_k", score.median_error_k


def _events(score: EventScore) -> Named:
    due, found = sum(score.due.values()), sum(score.found.values())
    yield "due", due
    yield "found_pct", percent(found, due)
    yield "delay_h", _median(score.delays_s, HOUR_S)
    yield "felt_delay_h", _median(score.felt_delays_s, HOUR_S)
    yield "false", score.false
    yield "false_per_100_weeks", score.false_per_100_weeks
    yield "falsely_open_pct", 100.0 * score.false_share
    yield "weeks", score.exposure_s / (7 * DAY_S)
    for cause in sorted(score.due):
        if cause:
            yield f"due.{cause}", score.due[cause]
            yield f"found_pct.{cause}", percent(score.found[cause], score.due[cause])


def _goals(score: GoalScore) -> Named:
    yield "claims", score.claims
    yield "premature_pct", percent(score.premature, score.claims)
    yield "late_h", _median(score.lateness_s, HOUR_S)
    yield "met", score.met
    yield "not_said_pct", percent(score.never_claimed, score.met)


def _sleeves(score: SleeveScore) -> Named:
    for hours in HORIZONS_H:
        yield f"error_{hours}h_pct_rh", score.median_error(hours)
        yield f"given_{hours}h_pct", percent(len(score.errors_pct[hours]), score.due[hours])
        yield f"covered_{hours}h_pct", percent(score.inside[hours], len(score.errors_pct[hours]))
        yield f"due_{hours}h", score.due[hours]
    yield "claims", score.claims
    yield "premature_pct", percent(score.premature, score.claims)
    yield "late_h", _median(score.lateness_s, HOUR_S)
    yield "beyond_clock_h", _median(score.beyond_s, HOUR_S)
    yield "not_said_pct", percent(score.unclaimed, score.settled)


def _forecasts(score: ForecastScore) -> Named:
    yield "intervals", score.intervals
    yield "covered_pct", percent(score.covered, score.intervals)
    yield "covered_calm_pct", percent(score.covered_calm, score.intervals_calm)
    for third in (1, 2, 3):
        yield f"error_third_{third}", score.median_error(third)
    yield "error_after_a_third", score.median_error(2, 3)
    yield "error_after_a_third_calm", score.median_error(2, 3, calm=True)
    yield "reachable_days", score.reachable
    yield "dated_pct", percent(score.dated, score.reachable)
    yield "never_days", score.never_days
    yield "never_recall_pct", percent(score.never_said, score.never_days)
    yield "never_precision_pct", percent(score.said_never_right, score.said_never)
