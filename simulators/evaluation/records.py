"""What somebody said of a job, and the job's truth, as small plain records. All times are POSIX seconds."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from monitord.model.alerts import Alert
from monitord.replay.run import ReplayResult
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker
from simulators.truth.records import Truth

Span = tuple[float, float]

OURS, BASELINE = "ours", "baseline"


@dataclass(frozen=True)
class AlertRecord:
    """An alert from its opening to its closing."""

    kind: str
    location: str | None
    probe: str | None
    opened_s: float
    closed_s: float | None
    """None: open at the end."""
    words: str = ""


@dataclass(frozen=True)
class ForecastRecord:
    """One forecast of the time at which a goal is met."""

    made_s: float
    location: str
    low_s: float | None
    middle_s: float | None
    high_s: float | None
    never: bool = False
    high_never: bool = False
    words: str = ""


@dataclass(frozen=True)
class EquilibriumRecord:
    """What was held of a sealed sleeve."""

    made_s: float
    location: str
    predicted_pct: float | None
    low_pct: float | None
    high_pct: float | None
    settled: bool


@dataclass(frozen=True)
class NightRecord:
    """What was expected of a cold surface in the hours to come."""

    made_s: float
    location: str
    margins_k: list[float]
    """Expected margin above the dew point in each hour from `made_s` on; NaN where nothing is expected. [K]"""


@dataclass
class Verdicts:
    """All that was said of a job."""

    alerts: list[AlertRecord] = field(default_factory=list)
    forecasts: list[ForecastRecord] = field(default_factory=list)
    equilibrium: list[EquilibriumRecord] = field(default_factory=list)
    nights: list[NightRecord] = field(default_factory=list)


@dataclass
class Case:
    """A simulated job with its truth and what was said of it."""

    family: str
    seed: int
    job: dict[str, Any]
    """What job.json holds."""
    truth: Truth
    moisture: list[tuple[str, float]]
    """Rooms in which something began to give off water, and when: their air leaves its band, and no drive is lost."""
    margins_k: dict[str, list[float]] = field(default_factory=dict)
    """Locations whose cold surface can be known, by a sensor or a factor with outdoor air: its least margin above the
    dew or frost point in each hour of the job. [K]"""
    verdicts: dict[str, Verdicts] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The case in a word."""
        return f"{self.family} {self.seed}"


def _seconds(moment: datetime | None) -> float | None:
    return None if moment is None else moment.timestamp()


def _opening(alert: Alert) -> str:
    speaker = Speaker(language(), UTC, alert.finding.measured_at)
    return AlertSpeaker(speaker, alert).opening()


def verdicts_of(result: ReplayResult) -> Verdicts:
    """What a replay said, as plain records."""
    return Verdicts(
        alerts=[
            AlertRecord(alert.kind, alert.location, alert.probe, opened.timestamp(), _seconds(closed), _opening(alert))
            for opened, closed, alert in result.alerts
        ],
        forecasts=[
            ForecastRecord(
                at.timestamp(),
                location,
                _seconds(forecast.low),
                _seconds(forecast.middle),
                _seconds(forecast.high),
                forecast.never,
                forecast.high_never,
                "",
            )
            for at, location, forecast in result.forecasts
        ],
        equilibrium=[
            EquilibriumRecord(
                at.timestamp(), location, said.predicted_rh, said.low, said.high, said.state == "equilibrated"
            )
            for at, location, said in result.equilibrium
        ],
        nights=[
            NightRecord(night.made_at.timestamp(), location, list(night.margin_k))
            for _, location, night in result.nights
        ],
    )
