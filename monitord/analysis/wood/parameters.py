"""Every limit and tuning value of the moisture of timber, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class WoodParameters:
    """Values of `analysis/wood`; used as `WOOD.name`."""

    min_hours: int = 24
    """Hours that must be known before timber is estimated: the first day's mean is the start (our choice). [h]"""
    max_emc_rh_pct: float = 99.0
    """More humid air is taken as this: at saturation the equilibrium is fibre saturation (Wood Handbook ch. 4).
    [% RH]"""
    min_air_rh_pct: float = 1.0
    """Drier air is taken as this (our choice). [% RH]"""
    min_emc_c: float = -39.0
    """Lowest temperature that the equilibrium is computed for, inside the range of `physics.wood` (our choice). [°C]"""
    max_emc_c: float = 100.0
    """Highest (our choice). [°C]"""
    max_timber_c: float = 50.0
    """Air warmer than this is taken as this for what it brings timber to over weeks (our choice). [°C]"""
    emc_slope_pct: float = 2.0
    """Half the span of humidity over which the slope of the equilibrium is taken (our choice). [% RH]"""
    min_day_known_h: int = 6
    """Hours of the last day that must be known for a verdict (our choice). [h]"""
    unknown_warmth_c: float = 20.0
    """Temperature where none is known: decay runs (our choice, the careful side). [°C]"""
    estimate_min_h: int = 12
    """Hours that must be known before a course of timber is estimated: half a day (our choice). [h]"""
    saturated_spot_u_pct: float = 5.0
    """Least standard uncertainty of a spot reading over fibre saturation, where a resistance meter tells wet from dry
    and little more (James 1988, FPL-GTR-6; the number is our choice). [% of dry mass]"""
    desorption: float = 1.08
    """Timber that dries holds more than the table of equilibrium moisture content, which lies midway between taking up
    and giving off: 2/(1 + 0.85), for wood that takes up comes to 0.85 of wood that gives off (Wood Handbook, ch. 4).
    [-]"""
    lag_share: float = 1.5
    """Timber's lag over the setting, in the median: how thick the timber is and how free its faces are nobody tells.
    By diffusion 12 to 40 mm to a sealed face take 5 to 150 days (4 L²/(π² D), Crank 1975; D across the grain about
    5e-11 to 3.5e-10 m²/s, from memory). [-]"""
    lag_log_sd: float = 0.8
    """Standard deviation of its natural logarithm: those days are a central 95 % (our choice). [-]"""
    lag_high: float = 0.84
    """The slow timber that must be at its goal as well, in standard deviations: one in five is slower (our choice: of
    10 claims on 8 independent simulated jobs 1 was too early, of 27 without it 17). [-]"""
    spot_before_days: float = 7.0
    """A spot reading up to this time before the first known hour counts as that of the start (our choice). [days]"""

    members_log2: int = 12
    """Draws of timber that was measured by hand, a power of two for Sobol's sequence: so many that a dozen readings
    still leave some twenty in effect (our choice). [log2 of draws]"""
    lags: int = 64
    """Lags among them, in equal shares (our choice). [lags]"""
    factor_mean: float = 1.15
    """What such timber ends at over the table of equilibrium moisture content, in the mean: `desorption`, and for weeks
    its core stays behind, for wood lets water pass more slowly as it dries (our choice: courses of one lag fit 48
    independent simulated joists best with 1.3, those of the project's own simulator are made with 1.0). [-]"""
    factor_sd: float = 0.14
    """Standard deviation of that between kinds and histories of wood, so that both are in it: 1.7 % of dry mass at 12 %
    (our choice). [-]"""
    start_range_pct: tuple[float, float] = (10.0, 34.0)
    """Least and most moisture of such timber at the start, with equal probability between: indoors it is kept at 6 to
    12 (common practice), and soaked timber lies a little over fibre saturation (our choice). [% of dry mass]"""
    own_share: float = 0.25
    """Share of a spot reading's variance that is its own; the rest all readings of one meter share: its own error and
    the correction for the species (our choice). [-]"""
    least_own_u_pct: float = 0.3
    """Least standard uncertainty of its own: two places of one joist differ by it (our choice). [% of dry mass]"""
    stray_pct2_day: float = 0.02
    """Variance by which timber strays from its member in a day, for no wood has one lag: 0.75 % in four weeks (our
    choice). [(% of dry mass)²/day]"""
    surprise_sd: float = 4.0
    """A reading so many standard deviations off what those before it foretell begins a new course: water came, or it
    was another piece of wood (our choice). [-]"""


WOOD = WoodParameters()
"""The values in use."""
