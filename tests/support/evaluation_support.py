"""Hand-made cases for the tests of the evaluation. Times are hours since the start of the job, which lasts 70 days."""

from __future__ import annotations

from typing import Any

from simulators.evaluation.records import AlertRecord, Case, EquilibriumRecord, ForecastRecord, Verdicts
from simulators.truth.records import LocationTruth, Truth, iso

START_S = 1_700_000_000.0 // 86_400.0 * 86_400.0
LENGTH_H = 70 * 24.0
END_S = START_S + LENGTH_H * 3600.0


def at(hours: float) -> float:
    """POSIX seconds of a time of the job."""
    return START_S + 3600.0 * hours


def day(days: float) -> float:
    """POSIX seconds of a day of the job."""
    return at(24.0 * days)


def location(key: str, kind: str, **more: Any) -> dict[str, Any]:
    """A location as job.json has it."""
    return {"id": key, "kind": kind, "reference": None, "f_rsi": None, "sealed_at": None, **more}


def placement(probe: str, where: str, interval_s: float = 600.0) -> dict[str, Any]:
    """A probe that stays at one place throughout."""
    return {"id": probe, "location_id": where, "from": iso(START_S), "to": None, "interval_s": interval_s}


def case(locations: list[dict[str, Any]], probes: list[dict[str, Any]] | None = None) -> Case:
    """A case with nothing true but where its locations are; all are watched throughout."""
    truth = Truth("hand", 1, "made by hand", START_S, END_S)
    for location in locations:
        truth.locations[location["id"]] = LocationTruth(location["kind"], watched=[(START_S, END_S)])
    return Case("hand", 1, {"locations": locations, "probes": probes or [], "timezone": "UTC"}, truth, [])


def alert(
    kind: str, where: str | None, opened_s: float, closed_s: float | None = None, probe: str | None = None
) -> AlertRecord:
    """An alert."""
    return AlertRecord(kind, where, probe, opened_s, closed_s)


def alerts(*records: AlertRecord) -> Verdicts:
    """Somebody who said just these alerts."""
    return Verdicts(alerts=list(records))


def with_goal(
    location: LocationTruth, met: list[tuple[float, float]], eta_s: float | None, reason: str = "met"
) -> None:
    """Give a location a goal that is met in these spans; its metric is 90 before and 70 within."""
    location.goal = {"metric": "rh_pct", "limit": 75.0, "window_h": 24.0}
    location.goal_met, location.eta_s, location.eta_reason = met, eta_s, reason
    location.hour_s = [at(h + 1) for h in range(int(LENGTH_H))]
    location.metric_windowed = [70.0 if any(a <= t <= b for a, b in met) else 90.0 for t in location.hour_s]


def forecast(made_s: float, where: str, low_s: float, middle_s: float, high_s: float) -> ForecastRecord:
    """A forecast with a date."""
    return ForecastRecord(made_s, where, low_s, middle_s, high_s)


def never(made_s: float, where: str) -> ForecastRecord:
    """A forecast that says never."""
    return ForecastRecord(made_s, where, None, None, None, never=True, high_never=True)


def settled(made_s: float, where: str, yes: bool, predicted: float | None = None) -> EquilibriumRecord:
    """What was held of a sleeve."""
    return EquilibriumRecord(made_s, where, predicted, None, None, yes)
