"""Every limit of the assessment as a whole, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.model.series import HOUR_S


@dataclass(frozen=True)
class AssessmentParameters:
    """Values of the modules in `analysis` itself; used as `ASSESSMENT.name`."""

    hourly_every_s: float = 2 * HOUR_S
    """How often faults, wetting and the room's moisture are judged (our choice). [s]"""
    goals_every_s: float = 6 * HOUR_S
    """How often goals and forecasts are (our choice). [s]"""
    damage_every_s: float = 6 * HOUR_S
    """How often mould, wood and the night ahead are (our choice). [s]"""
    recent_h: float = 60.0
    """Hours of single readings that the hourly results rest on: fewer than a record holds, so that any later record
    gives the same (our choice). [h]"""
    settling_h: float = 6.0
    """A sleeve is called settling for this long after sealing, equilibrating after that (our choice). [h]"""
    rate_min_days: int = 3
    """Days with readings before a rate decides whether an element dries (our choice). [days]"""
    horizon_d: float = 365.0
    """A goal that is further away than this is not reached in this air (our choice). [days]"""
    perhaps_never: float = 0.2
    """Probability that the goal is not reached in this air, from which a sleeve's latest date is not given (our
    choice). [-]"""
    check_min_span_d: float = 7.0
    """A date known better than this needs no check of its probe (our choice). [d]"""
    check_max_share: float = 0.7
    """What a check would gain is said where the interval of the date would shrink to this share of it (our choice).
    [-]"""
    check_settles: float = 0.5
    """Or where it is at least so probable that it settles whether the goal is met (our choice). [-]"""
    check_open_goal: float = 0.15
    """Whether the goal is met is open from this probability on; the odds at which it is held to be met, turned round
    (our choice). [-]"""
    more_likely: float = 0.5
    """Probability from which a sleeve's drying is called slow: more likely than not (our choice). [-]"""
    stall_days: int = 4
    """Least days without progress that are named (our choice). [days]"""
    stall_most_days: int = 14
    """Most of them (our choice). [days]"""
    stall_first_days: float = 5.0
    """Days since the first reading, or since a sleeve settled, before anything is called stalled: what a probe brings
    in with it goes first (our choice). [days]"""
    equipment_gone_days: float = 14.0
    """For how long a stall that the air explains names the dehumidifier that was taken out (our choice). [days]"""
    rate_coverage: float = 2.0
    """Standard uncertainties that a rate must lie clear of 0 to name a direction: the coverage factor k of the ± that
    is shown beside it, so that no state denies its own numbers (JCGM 100:2008, 6.3.3). [-]"""


ASSESSMENT = AssessmentParameters()
"""The values in use."""
