"""Every limit and tuning value by which surfaces are judged, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SurfaceParameters:
    """Values of `analysis/surfaces`; used as `SURFACES.name`."""

    # cold surface
    min_surface_rh_pct: float = 1.0
    """Drier air is taken as this: no probe shows a dew point there (our choice). [% RH]"""
    min_surface_c: float = -60.0
    """Lowest temperature of a surface or air that is computed with (our choice). [°C]"""
    max_surface_c: float = 95.0
    """Highest (our choice). [°C]"""
    min_vapour_pa: float = 0.2
    """Less vapour is taken as this: its dew point is the lowest that is computed, about -79 °C (our choice). [Pa]"""

    # derived values, for charts
    min_shown_rh_pct: float = 0.1
    """Drier than this, no probe shows a dew point (our choice). [% RH]"""
    min_shown_c: float = -50.0
    """Lowest temperature that values are derived for (our choice). [°C]"""
    max_shown_c: float = 100.0
    """Highest: water boils (our choice). [°C]"""
    max_wet_bulb_c: float = 80.0
    """Hottest air whose wet bulb is computed, as `physics.wet_bulb` does (our choice). [°C]"""
    max_vapour_share: float = 0.5
    """Vapour pressure as a share of air pressure from which a probe is at fault and nothing is derived (our choice).
    [-]"""

    # condensation
    held_intervals: float = 2.0
    """In the hours at risk a gap counts as this many reporting intervals at most (our choice). [intervals]"""
    perhaps_probability: float = 0.25
    """Probability from which condensation is said to be possible earlier than expected (our choice). [-]"""
    night_history_h: int = 400
    """Hours of the past that the night ahead is forecast from: the cycle, and past forecasts (our choice). [h]"""

    # frost and heat
    mean_s: float = 1800.0
    """Least time over which the temperature's mean counts (our choice). [s]"""
    mean_intervals: float = 1.5
    """Or this many intervals, where that is longer: more than one reading (our choice). [intervals]"""
    cavity_heat_h: float = 12.0
    """The same against heat in cavities and voids: the sun heats a wall for hours every clear day (our choice).
    [h]"""

    # mould
    slow_decline: float = 0.25
    """Decline of the mould index on other materials, against that on pine (our choice: sources leave the speed of
    decline to the material). [-]"""
    rate_span_h: int = 72
    """Shorter of the spans whose slower growth counts; the other is a week (our choice). [h]"""
    rate_min_h: int = 72
    """Known hours that a rate needs, or three quarters of its span (our choice). [h]"""
    known_share: float = 0.75
    """Share of a span that must be known for its mean or rate (our choice). [-]"""
    month_min_h: int = 540
    """Known hours that a calendar month needs: three quarters (our choice). [h]"""
    month_history_d: int = 62
    """Days that are searched for the last known calendar month: two of them (our choice). [days]"""
    mould_min_h: int = 6
    """Hours of the last day that must be known for a verdict (our choice). [h]"""
    shown_days: float = 60.0
    """First growth further ahead than this is not given as a number of days (our choice). [days]"""
    shown_unknown_share: float = 0.05
    """Share of unknown hours from which they are mentioned (our choice). [-]"""


SURFACES = SurfaceParameters()
"""The values in use."""
