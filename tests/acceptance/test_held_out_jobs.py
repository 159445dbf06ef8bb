"""What the program says of a handful of held-out simulated jobs: it may not get worse, and no row denies itself.

The limits and what they rest on are in simulators/evaluation/gate.toml; nothing may be tuned on these jobs. Their rows
are held against themselves only, never against what is true: sentence, state, rate and dates say the same.
"""

from __future__ import annotations

import csv
import re
from collections import defaultdict
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from gate_jobs import Played, play_all

from monitord.model.assessments import State
from monitord.text.alerts import HEADLINE_LENGTH
from monitord.text.states import TILE_LENGTH
from simulators.evaluate import HELD_OUT_FROM
from simulators.evaluation.gate import broken, load_gate
from simulators.evaluation.numbers import numbers
from simulators.evaluation.records import OURS
from simulators.evaluation.scoring import Score, score_case

DATED = {State.DRYING, State.DRYING_SLOWLY, State.NO_CLEAR_TREND}
RATED = {*DATED, State.NOT_DRYING}
DIRECTED = {State.DRYING, State.DRYING_SLOWLY, State.NOT_DRYING}

Row = dict[str, str]


def time_of(text: str) -> datetime | None:
    return datetime.fromisoformat(text) if text and text != "never" else None


def number(text: str) -> float | None:
    return float(text) if text else None


def contradictions(row: Row, first_reading: datetime) -> list[str]:
    """What of a row of `states.csv` denies something else of it."""
    state, said = State(row["state"]), row["sentence"]
    value, rate, u_rate = (number(row[name]) for name in ("value", "rate_per_day", "u_rate"))
    made_at, low, middle, high = (time_of(row[name]) for name in ("made_at", "eta_lo", "eta_mid", "eta_hi"))
    assert made_at is not None
    shown = re.search(r"(?:^|heading for )([−\d.]+) ± ", said)
    step = 10.0 ** -len((shown[1] + ".").split(".")[1]) if shown else 0.0
    wrong = {
        "a rate without a state that has one": (rate is not None) is not (state in RATED),
        "falling, and the rate rises": "falling" in said and not (rate is not None and rate < 0.0),
        "rising, and the rate falls": "rising" in said and rate is not None and rate <= 0.0,
        "a direction within the rate's ±": state in DIRECTED
        and not (rate is not None and u_rate is not None and abs(rate) > 1.99 * u_rate),
        "no clear trend, and the rate is clear": state is State.NO_CLEAR_TREND
        and not (rate is not None and u_rate is not None and abs(rate) <= 2.01 * u_rate),
        "a date without a state that has one": any((low, middle, high)) and state not in DATED,
        "a date that the sentence does not say": middle is not None and "goal" not in said.lower(),
        "never, and not out of reach": row["eta_mid"] == "never" and state is not State.OUT_OF_REACH,
        "out of reach, and not never": state is State.OUT_OF_REACH and row["eta_mid"] != "never",
        "dates out of order": [t for t in (low, middle, high) if t] != sorted(t for t in (low, middle, high) if t),
        "a date that has passed": low is not None and low < made_at,
        "another value than the sentence's": shown is not None
        and value is not None
        and row["unit"] != "Pa"
        and abs(float(shown[1].replace("−", "-")) - value) > 10.0 * step,
        "at goal over its goal": state is State.AT_GOAL
        and value is not None
        and value > float(re.search(r"goal ([−\d.]+)", said)[1].replace("−", "-")) + step,  # type: ignore[index]
        "no progress, and it falls": state is State.STALLED and "falling" in said,
        "a sentence too long for a tile": len(said) > TILE_LENGTH,
        "a slot that is not filled": "{" in said or "None" in said or not said,
        "since before the first reading": any(t < first_reading for t in times_in(said, made_at)),
    }
    return [what for what, is_so in wrong.items() if is_so]


def times_in(said: str, made_at: datetime) -> list[datetime]:
    """Times that a sentence names after `since` or `at`, in the year of its row (jobs are in UTC)."""
    found = re.findall(r"(?:since|at) \w{3} (\d+ \w{3})(?: (\d{4}))? (\d\d:\d\d) UTC", said)
    return [
        datetime.strptime(f"{day} {year or made_at.year} {clock}", "%d %b %Y %H:%M").replace(tzinfo=UTC)
        for day, year, clock in found
    ]


def rows_of(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> list[Played]:
    """The jobs of the gate, each replayed once."""
    return play_all(tmp_path_factory.mktemp("gate"))


def test_the_numbers_of_the_held_out_jobs_are_within_their_limits(played: list[Played]) -> None:
    total = Score()
    for job in played:
        total.add(score_case(job.case, job.case.verdicts[OURS]))
    assert broken(load_gate().limits, numbers(total)) == []


def test_the_jobs_of_the_gate_are_held_out() -> None:
    assert all(seed >= HELD_OUT_FROM for _, seed in load_gate().jobs)


def test_no_row_denies_itself(played: list[Played]) -> None:
    met: set[str] = set()
    for job in played:
        rows = rows_of(job.out / "states.csv")
        met |= {row["state"] for row in rows}
        wrong = [
            (job.out.name, row["made_at"], row["location"], row["sentence"], found)
            for row in rows
            if (found := contradictions(row, job.first))
        ]
        assert not wrong, wrong[:5]
    assert met >= {State.AT_GOAL, State.STALLED, State.OUT_OF_REACH, State.NO_CLEAR_TREND, *DATED, *RATED}


def test_each_location_has_a_row_at_least_every_six_hours_and_at_each_change(played: list[Played]) -> None:
    places: dict[tuple[str, str], list[datetime]] = defaultdict(list)
    for job in played:
        for row in rows_of(job.out / "states.csv"):
            places[job.out.name, row["location"]].append(datetime.fromisoformat(row["made_at"]))
    for times in places.values():
        assert times == sorted(times)
        assert max((b - a).total_seconds() for a, b in pairwise(times)) <= 6 * 3600.0


def test_an_alert_says_what_opened_it_its_worst_and_why_it_closed(played: list[Played]) -> None:
    rows = [row for job in played for row in rows_of(job.out / "alerts.csv")]
    assert rows
    for row in rows:
        texts = [row[name] for name in ("headline", "at_opening", "worst")]
        assert all(texts), row
        said = " ".join(texts[:2]).replace("Source not known.", "")  # of a rise that nothing explains: it is a finding
        assert not any(word in said.lower() for word in ("{", "none", "not known")), row
        assert len(row["headline"]) <= HEADLINE_LENGTH
        assert bool(row["closed_at"]) is bool(row["at_close"]) is bool(row["closed_because"]), row


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        ({"rate_per_day": "0.5"}, "falling, and the rate rises"),
        ({"u_rate": "0.3"}, "a direction within the rate's ±"),
        ({"value": "97.0"}, "another value than the sentence's"),
        ({"eta_mid": "never"}, "never, and not out of reach"),
        ({"eta_lo": "2025-02-01T00:00:00Z"}, "a date that has passed"),
        ({"state": "stalled"}, "no progress, and it falls"),
        ({"sentence": "81 ± 2 % RH, falling; was {before}."}, "a slot that is not filled"),
        ({"sentence": "81 ± 2 % RH, falling; goal since Sat 1 Feb 09:00 UTC."}, "since before the first reading"),
    ],
)
def test_a_row_that_denies_itself_is_found(change: Row, wrong: str) -> None:
    row = {
        "made_at": "2025-03-10T00:00:00Z", "location": "wall", "state": "drying", "value": "81.2", "unit": "% RH",
        "u": "1", "rate_per_day": "-0.5", "u_rate": "0.05", "eta_lo": "2025-03-20T00:00:00Z",
        "eta_mid": "2025-03-25T00:00:00Z", "eta_hi": "2025-04-01T00:00:00Z",
        "sentence": "81 ± 2 % RH, falling 0.50 ± 0.10 % RH a day; goal 20 Mar to 1 Apr (80 %).",
    }  # fmt: skip
    first = datetime(2025, 3, 1, tzinfo=UTC)
    assert contradictions(row, first) == []
    assert wrong in contradictions(row | change, first)
