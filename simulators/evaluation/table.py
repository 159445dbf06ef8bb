"""The table of the evaluation: the program beside the plain baseline beside the target."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from simulators.evaluation import topics as tp
from simulators.evaluation.numbers import numbers
from simulators.evaluation.scoring import Score
from simulators.evaluation.sleeves import HORIZONS_H


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    key: str
    """Name of the number."""
    target: str = ""
    digits: int = 1
    unit: str = ""
    out_of: str = ""
    """Name of the number of things it was counted over."""


_TARGETS: dict[str, tuple[str, str, str]] = {
    # found, median delay, false alarms per 100 location-weeks
    tp.STALL: (">= 90 %", "<= 72 h", "<= 0.5"),
    tp.REWETTING: (">= 95 %", "<= 12 h", "<= 0.5"),
    tp.DRIVE: (">= 90 %", "<= 6 h", ""),
    tp.CONDENSATION: (">= 98 %", "", "<= 0.5"),
    tp.MOULD: ("", "", ""),
    tp.FAULT: (">= 90 % each", "", "<= 0.3"),
    tp.SILENCE: ("", "", ""),
    tp.NEVER: ("", "", ""),
}
_ERRORS = {12: "<= 3", 24: "<= 1.5", 48: "<= 0.7", 72: "<= 0.5"}


def _event_rows(topic: str) -> Iterator[Row]:
    found, delay, false = _TARGETS[topic]
    yield Row(f"{topic}: found", f"{topic}.found_pct", found, 0, " %", f"{topic}.due")
    yield Row("  median delay from onset", f"{topic}.delay_h", delay, 0, " h")
    yield Row("  median delay from when it was felt", f"{topic}.felt_delay_h", "", 0, " h")
    yield Row("  false alarms per 100 weeks", f"{topic}.false_per_100_weeks", false, 2, "", f"{topic}.weeks")
    yield Row("  share of time falsely open", f"{topic}.falsely_open_pct", "", 2, " %")


def _rows() -> Iterator[Row]:
    for topic in _TARGETS:
        yield from _event_rows(topic)
    yield Row("at goal: said too early, of claims", "at goal.premature_pct", "<= 2 %", 1, " %", "at goal.claims")
    yield Row("  median lateness of a right claim", "at goal.late_h", "", 0, " h")
    yield Row("  met and never said", "at goal.not_said_pct", "", 0, " %", "at goal.met")
    for hours in HORIZONS_H:
        label = f"equilibrium RH: median error {hours} h after sealing"
        yield Row(label, f"sleeve.error_{hours}h_pct_rh", _ERRORS[hours], 2, " %RH", f"sleeve.due_{hours}h")
        yield Row("  a value was given", f"sleeve.given_{hours}h_pct", "", 0, " %")
        yield Row("  its interval held the truth", f"sleeve.covered_{hours}h_pct", "", 0, " %")
    yield Row("equilibrated: said too early, of claims", "sleeve.premature_pct", "<= 1 %", 1, " %", "sleeve.claims")
    yield Row("  median lateness of a right claim", "sleeve.late_h", "", 0, " h")
    yield Row("  the same beyond the 72 h clock or 12 h", "sleeve.beyond_clock_h", "<= 0 h", 0, " h")
    yield Row("  settled and never said", "sleeve.not_said_pct", "", 0, " %")
    yield Row("forecast: 80 % interval held", "forecast.covered_pct", "72 to 88 %", 0, " %", "forecast.intervals")
    yield Row("  where nothing unforeseen came after", "forecast.covered_calm_pct", "", 0, " %")
    for third, name in ((1, "first"), (2, "second"), (3, "last")):
        yield Row(f"  relative error of the time left, {name} third", f"forecast.error_third_{third}", "", 2)
    yield Row("  the same once a third has passed", "forecast.error_after_a_third", "<= 0.25", 2)
    yield Row("  where nothing unforeseen came after", "forecast.error_after_a_third_calm", "", 2)
    yield Row(
        "  days with a date for a reachable goal", "forecast.dated_pct", ">= 90 %", 0, " %", "forecast.reachable_days"
    )
    yield Row("  never in this air: recall", "forecast.never_recall_pct", ">= 80 %", 0, " %", "forecast.never_days")
    yield Row("  never in this air: precision", "forecast.never_precision_pct", ">= 95 %", 0, " %")
    yield Row("night ahead: condensation foretold at 18:00", "night.foretold_pct", "", 0, " %", "night.wet")
    yield Row("  foretold for nights without", "night.false_pct", "", 1, " %", "night.dry")
    yield Row("  nothing said", "night.unsaid_pct", "", 0, " %")
    yield Row("  median lead time", "night.lead_h", "", 0, " h")
    yield Row("  median error of the least margin", "night.error_k", "", 1, " K")


ROWS = tuple(_rows())


def shown(value: float | None, row: Row) -> str:
    """A number as the table shows it."""
    return "–" if value is None or math.isnan(value) else f"{value:.{row.digits}f}{row.unit}"


def lines(totals: Mapping[str, Score], title: str) -> Iterator[str]:
    """The table, line by line."""
    found = {assessor: numbers(score) for assessor, score in totals.items()}
    first = next(iter(found.values()))
    yield f"{title}: {first['jobs']:.0f} jobs"
    yield f"{'':52}" + "".join(f"{assessor:>14}" for assessor in found) + f"{'target':>14}{'out of':>10}"
    for row in ROWS:
        cells = "".join(f"{shown(values.get(row.key), row):>14}" for values in found.values())
        out_of = f"{first.get(row.out_of, 0.0):.0f}" if row.out_of else ""
        yield f"{row.what:52}{cells}{row.target:>14}{out_of:>10}"
        if row.key == f"{tp.FAULT}.found_pct":
            yield from _by_kind(found, first)


def _by_kind(found: Mapping[str, Mapping[str, float]], first: Mapping[str, float]) -> Iterator[str]:
    for key in [k for k in first if k.startswith(f"{tp.FAULT}.found_pct.")]:
        kind = key.rsplit(".", 1)[-1]
        row = Row(f"  {kind.replace('_', ' ')}", key, ">= 90 %", 0, " %")
        cells = "".join(f"{shown(values.get(key), row):>14}" for values in found.values())
        yield f"{row.what:52}{cells}{row.target:>14}{first[f'{tp.FAULT}.due.{kind}']:>10.0f}"


def print_table(totals: Mapping[str, Score], title: str) -> None:
    """Print the table."""
    print()
    for line in lines(totals, title):
        print(line.rstrip())


def write_json(path: Path, totals: Mapping[str, Score], families: Mapping[str, Mapping[str, Score]]) -> None:
    """Write all numbers to a file, in total and by family."""

    def plain(scores: Mapping[str, Score]) -> dict[str, dict[str, float | None]]:
        return {
            assessor: {key: None if math.isnan(value) else round(value, 4) for key, value in numbers(score).items()}
            for assessor, score in scores.items()
        }

    content = {"all": plain(totals), "families": {name: plain(families[name]) for name in sorted(families)}}
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
