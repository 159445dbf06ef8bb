"""Verdicts on simulated slabs with known truth: wrong "ready"s, and how late the right ones come.

Each sleeve of a job stands for a slab of its own. Its limit is drawn from what its concrete passes through, so that it
becomes ready at some time of the job; a slab whose truth never comes there is one that must never be called ready.
Beside the program a careful person reads each sleeve with the same probe once a week, from the criteria's clock on,
and judges by the same guard band.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.hourly_results import HourlyResults, compute_hourly_results
from monitord.analysis.readiness.parameters import READINESS
from monitord.analysis.readiness.verdict import assess_readiness
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Accuracy, Calibration, JobFile
from monitord.model.readiness.criteria import Criteria
from monitord.model.readiness.criteria_files import DRY_TO_GOAL, built_in
from monitord.model.readiness.verdict import Verdict
from monitord.model.series import HOUR_S
from monitord.replay.recorder import Recorder
from simulators.jobs.job_generator import SimulatedJob
from simulators.truth.records import LocationTruth

Array = NDArray[np.float64]

TICK_S = 6 * HOUR_S
WEEK_S = 7 * 24 * HOUR_S
_MEAN_H = 6
"""The truth is held against the limit as the rule holds the reading: as a mean over six hours. [h]"""


CRITERIA = "in-situ-rh-72h"

NACL_PCT, SALTS_PCT = 75.5, (75.5, 85.1, 97.6)
"""Over saturated NaCl, and over NaCl, KCl and K2SO4 at 20 °C (Greenspan 1977). [% RH]"""


@dataclass(frozen=True)
class SaltCheck:
    """A check of every probe before the job."""

    nearest: bool
    """Over the salt nearest to the covering's limit; else over NaCl."""
    error_pct: float
    """Standard deviation of the check's own error. [% RH]"""
    limit_pct: float
    """± limit that is taken to hold afterwards: the check's error and what the probe is off elsewhere. [% RH]"""


CHECKS: Mapping[str, SaltCheck | None] = {
    "none": None,
    "nacl": SaltCheck(nearest=False, error_pct=0.35, limit_pct=0.8),
    "nearest": SaltCheck(nearest=True, error_pct=0.2, limit_pct=0.5),
}
"""Our choice: one check on site over NaCl; the mean of several over the salt nearest to the limit."""


@dataclass(frozen=True)
class SlabScore:
    """What was said of one slab."""

    slab: str
    limit_pct: float
    true_s: float | None
    """When its concrete is truly ready: at or under the limit, and so for the rule's hold; None: not in the job."""
    rule_s: float | None
    """The same with the guard band counted against it: when a reading without error would pass the rule."""
    ready_s: float | None
    """First "ready" of the program."""
    over_pct: float | None
    """How far the concrete was over the limit at most while it was called ready; None: it never was. [% RH]"""
    person_s: float | None
    """First "ready" of the careful person."""
    person_wrong: bool

    @property
    def wrong(self) -> bool:
        """Whether any "ready" came while the concrete was over the limit."""
        return self.over_pct is not None

    @property
    def days_late(self) -> float | None:
        """From the true date to the program's; None: one of them is missing."""
        return None if self.true_s is None or self.ready_s is None else (self.ready_s - self.true_s) / 86_400.0

    @property
    def days_after_rule(self) -> float | None:
        """From the date on which a reading without error would pass, guard band included, to the program's."""
        return None if self.rule_s is None or self.ready_s is None else (self.ready_s - self.rule_s) / 86_400.0

    @property
    def person_days_late(self) -> float | None:
        """The same of the careful person."""
        return None if self.true_s is None or self.person_s is None else (self.person_s - self.true_s) / 86_400.0


@dataclass
class ReadinessScore:
    """All slabs."""

    slabs: list[SlabScore] = field(default_factory=list)

    def lines(self) -> list[str]:
        """The score as text."""
        late = [s.days_late for s in self.slabs if s.days_late is not None]
        person = [s.person_days_late for s in self.slabs if s.person_days_late is not None]
        true = [s for s in self.slabs if s.true_s is not None]
        after_rule = [s.days_after_rule for s in self.slabs if s.days_after_rule is not None]
        over = [s.over_pct for s in self.slabs if s.over_pct is not None]
        return [
            f"slabs {len(self.slabs)}, truly ready in the job {len(true)}",
            f"program: wrong ready {len(over)} (by {max(over, default=0.0):.2f} % RH at most), ready {len(late)}, "
            f"days late {_spread(late)}; after the rule's own date, guard band included: {_spread(after_rule)}",
            f"person, weekly: wrong ready {sum(s.person_wrong for s in self.slabs)}, ready {len(person)}, "
            f"days late {_spread(person)}",
        ]


def _spread(values: list[float]) -> str:
    if not values:
        return "-"
    low, middle, high = np.percentile(values, (10, 50, 90))
    return f"median {middle:.1f} (10 to 90 %: {low:.1f} to {high:.1f})"


def score_readiness(
    made: SimulatedJob, guard_factors: Sequence[float], check: SaltCheck | None = None
) -> dict[float, list[SlabScore]]:
    """Judge every sleeve of a simulated job as a slab of its own; by guard factor.

    Parameters
    ----------
    check : What each probe was checked by before the job; None: the manufacturer's limits are all that is known of it.
    """
    rules = {guard_factor: _criteria(guard_factor) for guard_factor in guard_factors}
    rng = np.random.default_rng(made.truth.seed)
    limits = {i: _limit(made.truth.locations[i], rng) for i in _sleeves(made)}
    known = {i: limit for i, limit in limits.items() if limit is not None}
    job = _job(made, known)
    if check is not None:
        job = job.model_copy(update={"calibrations": _salt_checks(made, job, known, check, rng)})
    said: dict[tuple[float, str], list[tuple[float, bool]]] = {}
    last: HourlyResults | None = None
    for hour_s, view in _views(job, made):
        last = view
        for guard_factor, criteria in rules.items():
            for verdict in assess_readiness(job, view, {}, {CRITERIA: criteria, DRY_TO_GOAL: criteria}, _OPTIONS):
                is_ready = verdict.verdict is Verdict.READY
                said.setdefault((guard_factor, verdict.element), []).append((hour_s, is_ready))
    if last is None:
        return {}
    return {
        factor: [_score(job, made, slab.id, said[factor, slab.id], last, criteria) for slab in job.slabs]
        for factor, criteria in rules.items()
    }


_OPTIONS = AnalysisOptions()


def _sleeves(made: SimulatedJob) -> list[str]:
    return [where["id"] for where in made.job["locations"] if where["kind"] == "slab_sleeve"]


def _criteria(guard_factor: float) -> Criteria:
    """The built-in rules without those that the simulated job decides by its drawing: depth, area, room."""
    criteria = built_in()[CRITERIA]
    limit = criteria.limit.model_copy(update={"guard_factor": guard_factor})
    left_out = dict.fromkeys(("depth", "positions", "service"))
    return criteria.model_copy(update={**left_out, "limit": limit})


def _truth(truth: LocationTruth) -> Array:
    rh = np.asarray(truth.concrete_rh)
    kernel = np.ones(_MEAN_H) / _MEAN_H
    mean = np.full(len(rh), np.nan)
    if len(rh) >= _MEAN_H:
        mean[_MEAN_H - 1 :] = np.convolve(rh, kernel, "valid")
    return mean


def _limit(truth: LocationTruth, rng: np.random.Generator) -> float | None:
    """A limit that the concrete passes, or one below all that it reaches, for one slab in four."""
    mean = _truth(truth)
    known = mean[np.isfinite(mean)]
    if len(known) < 14 * 24:
        return None
    if rng.random() < 0.25:
        return float(known.min() - rng.uniform(0.2, 3.0))
    return float(known[int(rng.uniform(0.3, 0.9) * len(known))])


def _job(made: SimulatedJob, limits: dict[str, float]) -> JobFile:
    """The simulated job with a slab for each sleeve, no goals, and probes that were checked ten days before use."""
    document: dict[str, Any] = {**made.job}
    document["locations"] = [{**where, "goal": None} for where in document["locations"]]
    document["probes"] = [{**entry, "calibrated_at": entry["from"]} for entry in document["probes"]]
    document["slabs"] = [
        {"id": f"slab-{i}", "locations": [i], "criteria": CRITERIA, "covering": {"limit_pct": round(limit, 3)}}
        for i, limit in limits.items()
    ]
    return JobFile.model_validate(document)


def _salt_checks(
    made: SimulatedJob, job: JobFile, limits: Mapping[str, float], check: SaltCheck, rng: np.random.Generator
) -> tuple[Calibration, ...]:
    """What a check of every probe before the job finds, with an error of its own."""
    of_probe = {placement.probe: limits.get(placement.location_id) for placement in job.probes}
    found = []
    for probe in made.scenario.probes:
        limit = of_probe.get(probe.id)
        over = NACL_PCT if limit is None or not check.nearest else min(SALTS_PCT, key=lambda rh: abs(rh - limit))
        shown = probe.bias_pct + probe.slope * (over - 60.0) + float(rng.normal(0.0, check.error_pct))
        found.append(
            Calibration(
                probe=probe.id,
                at=job.start - timedelta(days=2),
                relative_humidity_correction_pct=-shown,
                accuracy=Accuracy(relative_humidity_pct=check.limit_pct),
                method="saturated salt",
            )
        )
    return tuple(found)


def _views(job: JobFile, made: SimulatedJob) -> Any:
    readings, recorder, at = made.readings, Recorder(job), 0
    order = np.argsort(readings.received_s, kind="stable")
    columns = [
        readings.time_s, readings.temperature_c, readings.relative_humidity_pct,
        readings.surface_temperature_c, readings.battery_v, readings.received_s,
    ]  # fmt: skip
    tick = np.ceil(made.truth.start_s / TICK_S) * TICK_S + TICK_S
    while tick <= made.truth.end_s:
        while at < len(order) and readings.received_s[order[at]] <= tick:
            k = order[at]
            row = tuple(float(column[k]) for column in columns)
            recorder.add(readings.probes[readings.probe[k]], row)  # type: ignore[arg-type]
            at += 1
        if tick + TICK_S > made.truth.end_s or _may_be_ready(job, made, float(tick)):
            yield float(tick), compute_hourly_results(job, recorder.record(float(tick)), float(tick), _OPTIONS)
        tick += TICK_S


def _may_be_ready(job: JobFile, made: SimulatedJob, tick: float) -> bool:
    """Whether any reading of the rule's mean is at its slab's limit or under; else no verdict can be ready then."""
    readings = made.readings
    lately = (readings.time_s > tick - (_MEAN_H + 1) * HOUR_S) & (readings.time_s <= tick)
    probes, humidity = readings.probe[lately], readings.relative_humidity_pct[lately]
    for slab in job.slabs:
        for placement in job.placements_at(slab.locations[0]):
            found = sum(c.relative_humidity_correction_pct for c in job.calibrations if c.probe == placement.probe)
            own = humidity[probes == readings.probes.index(placement.probe)] + found
            if len(own) and own.min() <= (slab.covering.limit_pct or 0.0):
                return True
    return False


def _score(
    job: JobFile,
    made: SimulatedJob,
    slab_id: str,
    said: list[tuple[float, bool]],
    last: HourlyResults,
    criteria: Criteria,
) -> SlabScore:
    slab = next(s for s in job.slabs if s.id == slab_id)
    location, limit = slab.locations[0], slab.covering.limit_pct or 0.0
    truth = made.truth.locations[location]
    mean, start_s = _truth(truth), made.truth.start_s
    u = max(last.all_series[location].uncertainty.relative_humidity_pct, READINESS.min_sealed_u_pct)
    accepted = limit - criteria.limit.guard_factor * u

    def over(at_s: float) -> float:
        return float(mean[min(int((at_s - start_s) / HOUR_S) - 1, len(mean) - 1)] - limit)

    def from_then_on(bound: float) -> float | None:
        hold = 0 if criteria.held is None else int(criteria.held.hours)
        return _true_date(mean <= bound, hold, start_s, _clock_s(job, location, criteria))

    ready = [at for at, is_ready in said if is_ready]
    person = _person(job, location, accepted, last, criteria, truth)
    return SlabScore(
        slab=f"{job.job}/{location}",
        limit_pct=limit,
        true_s=from_then_on(limit),
        rule_s=from_then_on(accepted),
        ready_s=min(ready, default=None),
        over_pct=max((excess for at in ready if (excess := over(at)) > 0.0), default=None),
        person_s=person,
        person_wrong=person is not None and over(person) > 0.0,
    )


def _clock_s(job: JobFile, location: str, criteria: Criteria) -> float:
    sealed = job.location(location).sealed_at
    clock_h = 0.0 if criteria.equilibration is None else criteria.equilibration.clock_h
    return (0.0 if sealed is None else sealed.timestamp()) + clock_h * HOUR_S


def _true_date(under: NDArray[np.bool_], hold_h: int, start_s: float, clock_s: float) -> float | None:
    """When the concrete has been at or under its limit for the hold, the sleeve's clock having run."""
    run = 0
    for k, is_under in enumerate(under):
        run = run + 1 if is_under else 0
        at = start_s + (k + 1) * HOUR_S
        if run > hold_h and at >= clock_s:
            return at
    return None


def _person(
    job: JobFile, location: str, accepted: float, last: HourlyResults, criteria: Criteria, truth: LocationTruth
) -> float | None:
    """First weekly reading, from the clock on, that is accepted; the person knows when the sleeve was open."""
    series = last.all_series[location]
    at = _clock_s(job, location, criteria)
    clock_s = 0.0 if criteria.equilibration is None else criteria.equilibration.clock_h * HOUR_S
    while at < series.end_s:
        hour = int(np.searchsorted(series.hour_s, at, side="right")) - 1
        opened = any(end_s <= at < end_s + clock_s for _, end_s in truth.openings)
        readable = 0 <= hour < len(series) and not opened
        if readable and series.relative_humidity_pct[hour] <= accepted:
            return float(at)
        at += WEEK_S
    return None
