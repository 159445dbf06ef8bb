"""Every limit and tuning value of sealed sleeves, each with its unit and its source.

What the ensemble of a slab rests on stands in `posterior/parameters.py`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SlabParameters:
    """Values of `analysis/slabs`; used as `SLABS.name`."""

    # approach to equilibrium
    approach_h: int = 168
    """A sleeve's own approach to equilibrium is over so long after its clock started; it is judged on no more hours,
    and only after them does its trend count (our choice). [h]"""
    fit_min_h: int = 3
    """Hours that a fit of the approach needs (our choice). [h]"""
    fast_filling_h: float = 60.0
    """From this age on the fast filling at first no longer counts: concrete fills a sleeve from its rim (our
    choice). [h]"""
    fast_filling_share: float = 0.3
    """... and this share of its age is left out of the fit (our choice). [-]"""
    level_prior_pct: tuple[float, float] = (88.0, 10.0)
    """Mean and standard deviation of what a sleeve is heading for (our choice). [% RH]"""
    step_sd_pct: float = 40.0
    """Standard deviation of how far from that it began (our choice). [% RH]"""
    slope_prior_pct_k: tuple[float, float] = (0.35, 0.2)
    """Mean and standard deviation of sealed concrete's rise with temperature: +0.2 to +0.5 % RH per K (Bažant and
    Najjar 1972). [% RH/K]"""
    drift_sd_pct_d: float = 0.15
    """Standard deviation of the slow drying that goes on underneath (our choice). [% RH/day]"""
    approach_log_sd: float = 0.5
    """Standard deviation of the logarithm of the time constant; its median is `sleeve_tau_h` (our choice). [-]"""
    approach_range_h: tuple[float, float] = (1.5, 110.0)
    """Time constants between which the fit looks (our choice). [h]"""
    approach_cells: int = 28
    """Time constants in that range (our choice). [cells]"""
    slow_tail: float = 0.8
    """Exponent β of an approach with a slow tail (our choice). [-]"""
    tail_share: float = 0.2
    """How often one is expected (our choice). [-]"""
    median_noise_pct: float = 0.15
    """Standard deviation of an hourly median about the model, probe noise and model error together (our choice).
    [% RH]"""
    correlation_h: float = 8.0
    """Neighbouring hours share their error over about this long: the data weigh that much less (our choice). [h]"""

    # equilibrated
    gap_coverage: float = 1.64
    """Standard deviations by which the approach still to come must be under its limit: 95 %, one-sided (standard
    normal distribution). [standard deviations]"""
    central_80_sd: float = 1.2816
    """Standard deviations to either end of the central 80 % of a normal distribution (definition).
    [standard deviations]"""
    calm_pct: float = 0.7
    """Greatest rise in a day of a sleeve that is called equilibrated, whatever the fit says (our choice). [% RH]"""
    half_day_h: int = 12
    """The change in a day is that between means over half days, a day apart; a rise leaves the first half day out (our
    choice). [h]"""
    rise_min_h: int = 4
    """Hours of each half day that a rise needs (our choice). [h]"""

    # opened again
    opened_pct: float = 3.0
    """A change from one known hour to the next that a sealed sleeve does not make (our choice). [% RH]"""
    opened_gap_h: int = 8
    """... and that are no further apart than this (our choice). [h]"""
    opened_room_pct: float = 4.0
    """Distance to the room's humidity that such a change must go towards (our choice). [% RH]"""
    opened_after_h: int = 3
    """Hours after sealing that are not looked at: the sleeve fills (our choice). [h]"""

    # temperature
    slope_h: int = 240
    """Hours whose median humidity sets how a sleeve moves with temperature: ten days (our choice). [h]"""
    slope_range: tuple[float, float] = (0.3, 0.99)
    """Range of humidity that this is computed for (our choice). [-]"""
    unknown_humidity: float = 0.85
    """Humidity of concrete where none is known (our choice). [-]"""

    # several depths
    same_depth_mm: float = 5.0
    """Depths that are no further apart are one level (our choice). [mm]"""
    depth_min_h: int = 6
    """Hours of the last day that a sleeve must be known in to be compared (our choice). [h]"""
    depth_level_c: float = 20.0
    """Sleeves are compared as they would read at this temperature (our choice). [°C]"""
    supply_span_d: int = 28
    """Days over which it is judged whether the far side feeds a slab (our choice). [days]"""
    supply_min_move_pct: float = 0.5
    """A change under this, over the whole span, is none: within what a good probe wanders in weeks (our choice).
    [% RH]"""
    supply_tighter: float = 4.0
    """Concrete may be so many times tighter than the typical: two standard deviations of a factor of two (our choice).
    [-]"""


SLABS = SlabParameters()
"""The values in use."""
