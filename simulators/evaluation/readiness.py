"""Verdicts on simulated slabs with known truth: wrong "ready"s, and how late the right ones come.

Each sleeve of a job stands for a slab of its own. Its limit is drawn from what its concrete passes through, so that it
becomes ready at some time of the job; a slab whose truth never comes there is one that must never be called ready.
Beside the program a careful person reads each sleeve with the same probe once a week, from the criteria's clock on,
and judges by the same guard band.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.hourly_results import HourlyResults, compute_hourly_results
from monitord.analysis.readiness.verdict import assess_readiness
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Accuracy, Calibration, JobFile
from monitord.model.readiness.criteria import Criteria
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readiness.verdict import Verdict
from monitord.model.series import HOUR_S
from monitord.replay.recorder import Recorder
from simulators.jobs.job_generator import SimulatedJob
from simulators.truth.records import LocationTruth

Array = NDArray[np.float64]

TICK_S = 6 * HOUR_S
WEEK_S = 7 * 24 * HOUR_S
_TRUE_MEAN_H = 6
"""The truth is held against the limit as the rule holds the reading: as a mean over six hours. [h]"""


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
    wrong: bool
    """Whether any "ready" came while the concrete was over the limit."""
    person_s: float | None
    """First "ready" of the careful person."""
    person_wrong: bool

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
        return [
            f"slabs {len(self.slabs)}, truly ready in the job {len(true)}",
            f"program: wrong ready {sum(s.wrong for s in self.slabs)}, ready {len(late)}, days late {_spread(late)}; "
            f"after the rule's own date, guard band included: {_spread(after_rule)}",
            f"person, weekly: wrong ready {sum(s.person_wrong for s in self.slabs)}, ready {len(person)}, "
            f"days late {_spread(person)}",
        ]


def _spread(values: list[float]) -> str:
    if not values:
        return "-"
    low, middle, high = np.percentile(values, (10, 50, 90))
    return f"median {middle:.1f} (10 to 90 %: {low:.1f} to {high:.1f})"


def score_readiness(
    made: SimulatedJob, guard_factor: float, criteria_id: str = "in-situ-rh-72h", *, checked: bool = False
) -> list[SlabScore]:
    """Judge every sleeve of a simulated job as a slab of its own; `checked`: each probe was checked over a salt."""
    criteria = _criteria(criteria_id, guard_factor)
    rng = np.random.default_rng(made.truth.seed)
    limits = {i: _limit(made.truth.locations[i], rng) for i in _sleeves(made)}
    job = _job(made, {i: limit for i, limit in limits.items() if limit is not None}, criteria)
    if checked:
        job = job.model_copy(update={"calibrations": _salt_checks(made, job, rng)})
    said: dict[str, list[tuple[float, bool]]] = {slab.id: [] for slab in job.slabs}
    last: HourlyResults | None = None
    for hour_s, view in _views(job, made):
        last = view
        for verdict in assess_readiness(job, view, {}, {criteria.id: criteria, "dry-to-goal": criteria}, _OPTIONS):
            said[verdict.element].append((hour_s, verdict.verdict is Verdict.READY))
    if last is None:
        return []
    return [_score(job, made, slab.id, said[slab.id], last, criteria) for slab in job.slabs]


_OPTIONS = AnalysisOptions()


def _sleeves(made: SimulatedJob) -> list[str]:
    return [where["id"] for where in made.job["locations"] if where["kind"] == "slab_sleeve"]


def _criteria(criteria_id: str, guard_factor: float) -> Criteria:
    """The built-in rules without those that the simulated job decides by its drawing: depth, area, room."""
    criteria = built_in()[criteria_id]
    limit = criteria.limit.model_copy(update={"guard_factor": guard_factor})
    left_out = dict.fromkeys(("depth", "positions", "service"))
    return criteria.model_copy(update={**left_out, "limit": limit})


def _truth(truth: LocationTruth) -> Array:
    rh = np.asarray(truth.concrete_rh)
    kernel = np.ones(_TRUE_MEAN_H) / _TRUE_MEAN_H
    mean = np.full(len(rh), np.nan)
    if len(rh) >= _TRUE_MEAN_H:
        mean[_TRUE_MEAN_H - 1 :] = np.convolve(rh, kernel, "valid")
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


def _job(made: SimulatedJob, limits: dict[str, float], criteria: Criteria) -> JobFile:
    """The simulated job with a slab for each sleeve, no goals, and probes that were checked ten days before use."""
    document: dict[str, Any] = {**made.job}
    document["locations"] = [{**where, "goal": None} for where in document["locations"]]
    document["probes"] = [{**entry, "calibrated_at": entry["from"]} for entry in document["probes"]]
    document["slabs"] = [
        {"id": f"slab-{i}", "locations": [i], "criteria": criteria.id, "covering": {"limit_pct": round(limit, 3)}}
        for i, limit in limits.items()
    ]
    return JobFile.model_validate(document)


SALT_PCT, SALT_U_PCT, CHECKED_LIMIT_PCT = 75.5, 0.35, 0.8
"""Over sodium chloride (Greenspan 1977): its humidity, the error of such a check on site (our choice), and the ± limit
that holds afterwards: the check's error and what a probe is off elsewhere in its range (our choice). [% RH]"""


def _salt_checks(made: SimulatedJob, job: JobFile, rng: np.random.Generator) -> tuple[Calibration, ...]:
    """What a salt check of every probe before the job finds, with an error of its own."""
    found = []
    for probe in made.scenario.probes:
        shown = probe.bias_pct + probe.slope * (SALT_PCT - 60.0) + float(rng.normal(0.0, SALT_U_PCT))
        found.append(
            Calibration(
                probe=probe.id,
                at=job.start - timedelta(days=2),
                relative_humidity_correction_pct=-shown,
                accuracy=Accuracy(relative_humidity_pct=CHECKED_LIMIT_PCT),
                method="saturated sodium chloride",
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
        yield float(tick), compute_hourly_results(job, recorder.record(float(tick)), float(tick), _OPTIONS)
        tick += TICK_S


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
    u = last.all_series[location].uncertainty.relative_humidity_pct
    accepted = limit - criteria.limit.guard_factor * u

    def over(at_s: float) -> bool:
        return bool(mean[min(int((at_s - start_s) / HOUR_S) - 1, len(mean) - 1)] > limit)

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
        wrong=any(over(at) for at in ready),
        person_s=person,
        person_wrong=person is not None and over(person),
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
