"""What is true of a simulated job, and how it is written down. Times are POSIX seconds here, ISO 8601 in the file.

The format of truth.json is described in TRUTH.md beside this module.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

Span = tuple[float, float]


@dataclass(frozen=True)
class Stall:
    """A time in which what remains to the goal hardly falls because of the air around."""

    from_s: float
    to_s: float
    cause: str
    """`air`: equilibrium with this air is not below the goal; else the kind of event that changed something."""


@dataclass(frozen=True)
class Rewetting:
    """Water that came to a location."""

    onset_s: float
    felt_s: float | None
    """When the truth at the location had risen by 1.5 % RH (sleeve) or 3 % RH (cavity, void) because of it."""
    end_s: float
    """End of the water's coming."""
    over_s: float
    """When half of the rise was gone, or the end of the job."""
    peak_rise_pct: float
    cause: str
    """`leak` or `ground`; `air`: humid weather or airing explains it."""


@dataclass(frozen=True)
class Condensation:
    """Water on a cold surface; spells less than a day apart are one."""

    from_s: float
    to_s: float
    hours: float
    deepest_k: float
    """How far the surface came below the dew point."""


@dataclass(frozen=True)
class DriveLost:
    """A time in which a room's air could take up less than it should."""

    room: str
    from_s: float
    to_s: float
    cause: str
    effect_pa: float
    """Mean rise of the room's vapour pressure because of it, from twelve hours after its start on."""
    effect_pct: float
    """The same of its relative humidity. [% RH]"""
    felt_s: float | None
    """When the room's humidity had risen by 5 % RH because of it."""
    matters: bool
    """Whether the mean rise is 5 % RH or more: a machine that stops in dry frost is missed by nobody."""


@dataclass(frozen=True)
class ProbeFault:
    """A probe that does not tell what is there."""

    probe: str
    location: str
    kind: str
    from_s: float
    to_s: float
    amount: float
    noticeable_s: float
    """When it has left what the probe's accuracy allows."""


@dataclass(frozen=True)
class Silence:
    """Nothing came from a placed probe."""

    probe: str
    location: str
    from_s: float
    to_s: float
    cause: str


@dataclass
class LocationTruth:
    """What is true of one location."""

    kind: str
    goal: dict[str, Any] | None = None
    watched: list[Span] = field(default_factory=list)
    """Times in which a probe was there and was heard: what happens outside of them nobody can know."""
    hour_s: list[float] = field(default_factory=list)
    """Ends of the hours of the job."""
    metric: list[float] = field(default_factory=list)
    """The goal's metric, mean of each hour."""
    metric_windowed: list[float] = field(default_factory=list)
    goal_met: list[Span] = field(default_factory=list)
    """Times in the job in which the windowed metric is at or under the limit."""
    eta_s: float | None = None
    """First time that the goal is met, in the job or beyond it under persisting conditions."""
    eta_reason: str = ""
    """`met`, `later`, `never` or `beyond_horizon`."""
    air_equilibrium: list[float] = field(default_factory=list)
    """What the metric would come to in the air of those days, for each hour; empty where it makes no sense."""
    stalls: list[Stall] = field(default_factory=list)
    slow: list[Span] = field(default_factory=list)
    """Times of as little progress, by physics alone."""
    wetting_days: list[Span] = field(default_factory=list)
    """Times in which no progress is made because of water that came: neither a stall nor slow."""
    unclear: list[Span] = field(default_factory=list)
    """Times without progress after a change that did not last for four days of them: alerts in them do not count."""
    never_in_this_air: list[Span] = field(default_factory=list)
    never_margin: float | None = None
    """Least distance of the air's equilibrium above the limit in those times, in the metric's unit."""
    rewetting: list[Rewetting] = field(default_factory=list)
    air_wetting: list[Span] = field(default_factory=list)
    """Rises of 3 % RH and more of the daily mean that the air explains."""
    condensation: list[Condensation] = field(default_factory=list)
    mould_index: list[float] = field(default_factory=list)
    """At the end of each hour, for very sensitive material, at the coldest surface or else in the air."""
    concrete_rh: list[float] = field(default_factory=list)
    """Sleeves: humidity in the concrete at the sleeve's depth at its present temperature, for each hour. [%]"""
    sleeve_rh: list[float] = field(default_factory=list)
    """Sleeves: humidity of the sleeve's air, without any probe, for each hour. [%]"""
    settled_s: list[float] = field(default_factory=list)
    """Sleeves: after sealing and after each opening, when its air came within 1 % RH of the concrete."""
    openings: list[Span] = field(default_factory=list)
    timber_pct: list[float] = field(default_factory=list)


@dataclass
class Truth:
    """What is true of a job."""

    family: str
    seed: int
    about: str
    start_s: float
    end_s: float
    locations: dict[str, LocationTruth] = field(default_factory=dict)
    drive_lost: list[DriveLost] = field(default_factory=list)
    probe_faults: list[ProbeFault] = field(default_factory=list)
    silences: list[Silence] = field(default_factory=list)
    outages: list[Span] = field(default_factory=list)
    spells: list[Span] = field(default_factory=list)
    """Unusual weather."""


def iso(time_s: float) -> str:
    """A time as the replay format writes it."""
    return datetime.fromtimestamp(round(time_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


_SPANS = frozenset(
    {
        "goal_met",
        "slow",
        "wetting_days",
        "unclear",
        "watched",
        "never_in_this_air",
        "air_wetting",
        "openings",
        "outages",
        "spells",
    }
)


def as_json(truth: Truth) -> dict[str, Any]:
    """The truth as truth.json holds it: names without `_s`, times as text, hours as their first and count."""
    return _plain({"format": 1, **asdict(truth)})


def _plain(data: dict[str, Any]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in data.items():
        if key == "hour_s":
            out["first_hour"] = iso(value[0]) if value else None
        elif key == "settled_s":
            out["settled"] = [iso(t) for t in value]
        elif key in _SPANS:
            out[key] = [[iso(a), iso(b)] for a, b in value]
        elif key.endswith("_s"):
            out[key.removesuffix("_s")] = None if value is None else iso(value)
        else:
            out[key] = _inner(value)
    return out


def _inner(value: Any) -> Any:
    if isinstance(value, dict):
        return _plain(value)
    if isinstance(value, list | tuple):
        return [_inner(v) for v in value]
    return round(value, 3) if isinstance(value, float) else value
