"""Every limit and tuning value of the hourly series and their statistics, each with its unit and its source.

Coefficients that belong to a published equation stand with that equation.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SeriesParameters:
    """Values of `analysis/series`; used as `SERIES.name`."""

    # humidity, for every room of the analysis
    max_rh_pct: float = 105.0
    """Highest relative humidity that is taken as measured; computations clip to it. Capacitive probes read a little
    over 100 % near saturation (from memory). [% RH]"""

    # hourly series
    unplaced_u_temperature_k: float = 0.2
    """Standard uncertainty of a location's temperature before any probe stood there: ± 0.35 K taken as rectangular,
    an ordinary probe's (our choice). [K]"""
    unplaced_u_rh_pct: float = 1.2
    """The same of its humidity: ± 2 % RH (our choice). [% RH]"""

    # probes that share a location
    co_located_h: int = 72
    """Hours over which they are held against each other: three days hold weather and work of several kinds (our
    choice). [h]"""
    co_located_min_h: int = 12
    """Hours that both must have reported (our choice). [h]"""

    # rolling statistics
    min_known_share: float = 0.5
    """Share of a window's hours that must be known for its mean (our choice). [-]"""
    max_residual_correlation: float = 0.8
    """Highest lag-one correlation of residuals that a slope's standard error is widened for; that is a factor of 3 (our
    choice). [-]"""

    # daily cycle
    day_weight: float = 0.9
    """Weight of a day in the cycle against that of the day after it. Our choice, tuned on simulated winters. [-]"""
    hourly_fade: float = 0.99
    """Share of the distance from the cycle that is left after each hour. Our choice, tuned on simulated winters. [-]"""
    fades: tuple[float, ...] = (0.8, 0.9, 0.95, 0.99)
    """The same for the forecasts that are weighed by their past errors: from half an afternoon to some days (our
    choice; on real attics in summer 0.8 was best, in a wall in winter 0.99). [-]"""
    long_cycle_days: int = 12
    """Days of the longer of two cycles that are weighed (our choice). [days]"""
    long_day_weight: float = 0.97
    """Weight of a day in it against that of the day after it (our choice). [-]"""
    min_square_error: float = 0.01
    """Mean square error under which forecasts are not told apart: a probe's 0.1 K (common practice). [K²]"""
    trend_share: float = 0.1
    """Share of the last day-to-day change that goes on. Our choice, tuned on simulated winters. [-]"""
    distance_h: int = 3
    """Newest hours whose distance from the cycle is carried on (our choice). [h]"""
    origin_step_h: int = 6
    """Interval of the past forecasts that are scored: nearer ones share their error (our choice). [h]"""
    origin_days: int = 10
    """Days of past forecasts that the spread comes from (our choice). [days]"""
    prior_weight: float = 4.0
    """Past forecasts that the usual spread counts as: a day of origins (our choice). [forecasts]"""
    prior_spread_k: float = 0.6
    """Usual error of a surface's forecast margin at once, from simulated winters; it doubles over the first day. [K]"""
    prior_growth_h: float = 8.0
    """Time constant of that growth, from simulated winters. [h]"""
    slope_u: float = 0.5
    """How much of a forecast's distance from the usual comes true, before a location has shown it: 1 with this standard
    deviation (our choice: 0.3 to 1 score alike on real and simulated nights). [-]"""
    held_share: float = 0.25
    """Share of the way that goes on under a level at which something holds the series. At a surface that condenses the
    vapour falls out of the air beside it: by the analogy of heat and mass transfer 3 W/(m2 K) bring 9 m/h to it, an
    air change of 1 to 5 an hour of a space a metre deep 1 to 5 m/h: 0.1 to 0.4 is left (our choice). [-]"""
    min_known_h: int = 36
    """Hours of the last two days that must be known to continue a series (our choice: three quarters). [h]"""
    newest_h: int = 6
    """Of the newest hours, this many, one must be known (our choice). [h]"""
    min_outcome_share: float = 0.9
    """Share of a past forecast's hours that must have come to judge its lowest value (our choice). [-]"""

    # trend
    trend_min_days: int = 8
    """Days with readings before a trend is judged: with fewer, no clean line is more than chance once the variance
    is widened (our choice). [days]"""
    trend_significance: float = 0.05
    """Two-sided significance of a trend and of the limits of its slope (common practice). [-]"""
    parabola_terms: int = 3
    """Terms of the polynomial that is taken out before neighbouring days are compared: drying curves
    bend (our choice). [terms]"""


SERIES = SeriesParameters()
"""The values in use."""
