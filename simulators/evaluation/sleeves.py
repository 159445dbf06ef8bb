"""Sealed sleeves: how good the predicted equilibrium is, and whether claims that one has settled are true."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from monitord.replay.run import parse_time
from simulators.evaluation.matching import DAY_S, HOUR_S, Item
from simulators.evaluation.records import Case, EquilibriumRecord, Verdicts
from simulators.truth.records import LocationTruth

HORIZONS_H = (12, 24, 48, 72)
CLOCK_S = 72 * HOUR_S
"""The clock of the standards (UK practice; ASTM F2170 has had 24 h since 2018)."""
_NOTICE_S = 6 * HOUR_S
"""A claim that stands when a sleeve is opened may stand this long after it is closed again."""
_RIGHT_AFTER_S = 12 * HOUR_S


@dataclass
class SleeveScore:
    """Predictions and claims about sealed sleeves; scores of several jobs add up."""

    errors_pct: dict[int, list[float]] = field(default_factory=lambda: defaultdict(list))
    """Absolute errors of the newest prediction, by hours after sealing."""
    due: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    """How many predictions there could be."""
    inside: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    """How many intervals held the truth."""
    claims: int = 0
    premature: int = 0
    lateness_s: list[float] = field(default_factory=list)
    """Right claims: since the sleeve had settled."""
    beyond_s: list[float] = field(default_factory=list)
    """Right claims: since the standard's clock had run or the sleeve had been settled for 12 h, the later of both."""
    settled: int = 0
    """Sealings after which a claim was due: settled and the clock run for a day and more."""
    unclaimed: int = 0
    items: list[Item] = field(default_factory=list)

    def add(self, other: SleeveScore) -> None:
        """Take another job's score in."""
        for hours in HORIZONS_H:
            self.errors_pct[hours] += other.errors_pct[hours]
            self.due[hours] += other.due[hours]
            self.inside[hours] += other.inside[hours]
        self.claims += other.claims
        self.premature += other.premature
        self.lateness_s += other.lateness_s
        self.beyond_s += other.beyond_s
        self.settled += other.settled
        self.unclaimed += other.unclaimed
        self.items += other.items

    def median_error(self, hours: int) -> float:
        """Median absolute error so many hours after sealing. [% RH]"""
        return statistics.median(self.errors_pct[hours]) if self.errors_pct[hours] else float("nan")


@dataclass(frozen=True)
class Sealing:
    """A time for which a sleeve stayed closed."""

    from_s: float
    to_s: float
    settled_s: float | None
    """When its air had come within 1 % RH of the concrete."""


def sealings(location: LocationTruth, sealed_s: float, end_s: float) -> Iterator[Sealing]:
    """The times for which a sleeve stayed closed."""
    starts = [sealed_s, *(b for _, b in location.openings)]
    ends = [*(a for a, _ in location.openings), end_s]
    for a, b in zip(starts, ends, strict=True):
        if b > a:
            yield Sealing(a, b, next((s for s in location.settled_s if a <= s < b), None))


def score_sleeves(case: Case, said: Verdicts) -> SleeveScore:
    """Score the predictions and claims of one job."""
    score = SleeveScore()
    sealed = {p["id"]: p["sealed_at"] for p in case.job["locations"]}
    for key, location in case.truth.locations.items():
        if location.kind != "slab_sleeve" or sealed.get(key) is None:
            continue
        rows = sorted((r for r in said.equilibrium if r.location == key), key=lambda r: r.made_s)
        faulty = [(f.from_s, f.to_s) for f in case.truth.probe_faults if f.location == key]
        for sealing in sealings(location, parse_time(sealed[key]), case.truth.end_s):
            _predictions(score, case, key, location, rows, sealing, faulty)
            _claims(score, case, key, rows, sealing, faulty)
    return score


def _predictions(
    score: SleeveScore,
    case: Case,
    key: str,
    location: LocationTruth,
    rows: list[EquilibriumRecord],
    sealing: Sealing,
    faulty: list[tuple[float, float]],
) -> None:
    if sealing.from_s < case.truth.start_s:
        return  # the approach began before there were readings
    for hours in HORIZONS_H:
        at = sealing.from_s + hours * HOUR_S
        if at > sealing.to_s or any(a <= at and b >= sealing.from_s for a, b in faulty):
            continue
        score.due[hours] += 1
        known = [r for r in rows if sealing.from_s < r.made_s <= at and r.predicted_pct is not None]
        if not known:
            continue
        newest = known[-1]
        truth = location.concrete_rh[min(int((at - case.truth.start_s) / HOUR_S), len(location.concrete_rh) - 1)]
        error = abs((newest.predicted_pct or 0.0) - truth)
        score.errors_pct[hours].append(error)
        if newest.low_pct is not None and newest.high_pct is not None:
            score.inside[hours] += newest.low_pct <= truth <= newest.high_pct
        if error > 2.5 * _FAR_PCT[hours]:
            words = f"{hours} h after sealing: said {newest.predicted_pct:.1f}, truth {truth:.1f} % RH"
            day = (at - case.truth.start_s) / DAY_S
            score.items.append(Item("equilibrium", "far off", case.name, key, day, words))


_FAR_PCT = {12: 3.0, 24: 1.5, 48: 0.7, 72: 0.5}


def _claims(
    score: SleeveScore,
    case: Case,
    key: str,
    rows: list[EquilibriumRecord],
    sealing: Sealing,
    faulty: list[tuple[float, float]],
) -> None:
    start_s, right = case.truth.start_s, False
    for at in _claimed(rows, sealing):
        score.claims += 1
        if sealing.settled_s is not None and at >= sealing.settled_s - HOUR_S:
            if not right:
                score.lateness_s.append(max(0.0, at - sealing.settled_s))
                score.beyond_s.append(at - max(sealing.settled_s + _RIGHT_AFTER_S, sealing.from_s + CLOCK_S))
            right = True
            continue
        score.premature += 1
        late = "never" if sealing.settled_s is None else f"{(sealing.settled_s - at) / HOUR_S:.0f} h later"
        words = f"{(at - sealing.from_s) / HOUR_S:.0f} h after sealing; it settled {late}"
        score.items.append(Item("equilibrated", "too early", case.name, key, (at - start_s) / DAY_S, words))
    if sealing.settled_s is None or any(a < sealing.to_s and b > sealing.from_s for a, b in faulty):
        return
    due_s = max(sealing.settled_s + _RIGHT_AFTER_S, sealing.from_s + CLOCK_S, start_s + CLOCK_S)
    if sealing.to_s - due_s >= DAY_S:
        score.settled += 1
        if not any(r.settled and sealing.settled_s <= r.made_s <= sealing.to_s for r in rows):
            score.unclaimed += 1
            day = (due_s - start_s) / DAY_S
            score.items.append(Item("equilibrated", "not said", case.name, key, day, ""))


def _claimed(rows: list[EquilibriumRecord], sealing: Sealing) -> Iterator[float]:
    """When it was claimed anew within a sealing that the sleeve had settled."""
    before = False
    standing = False
    for row in rows:
        if row.made_s <= sealing.from_s:
            before = standing = row.settled
            continue
        if row.made_s > sealing.to_s:
            return
        if standing and row.settled and row.made_s - sealing.from_s >= _NOTICE_S:
            standing = False  # not withdrawn: as good as claimed again, unless the sleeve has settled meanwhile
            if sealing.settled_s is None or row.made_s < sealing.settled_s - HOUR_S:
                yield row.made_s
        if row.settled and not before:
            yield row.made_s
        if not row.settled:
            standing = False
        before = row.settled
