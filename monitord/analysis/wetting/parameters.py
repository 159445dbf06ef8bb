"""Every number that the tests for events rest on, in frozen sets, each with its unit and source.

Where the source is "our choice" the value was set on simulated jobs and on real attics and houses that were not
dried, and the rate of false alarms that it was chosen for is stated. Gaussian theory gives the size of the thresholds:
a 6 h mean of hourly innovations crosses its mean upwards 5 to 7 times a week, so 0.3 false crossings in 100 weeks ask
for exp(-k²/2) = 5e-4, k = 3.9 (Rice 1944); with five correlated windows 4.1.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class RegressionParameters:
    """Fit of what a location does to what surrounds it, and the record that its innovations are held against."""

    train_h: int = 240
    """Hours that a fit rests on: ten days hold weather of several kinds (our choice). [h]"""
    gap_h: int = 24
    """Hours between the end of the fit and the hour that is judged, so that new water is not learned (our choice)."""
    min_train_h: int = 72
    """Known hours that a fit needs (our choice). [h]"""
    record_h: int = 240
    """Hours of innovations, ending `gap_h` ago, that say what is usual here (our choice). [h]"""
    min_record_h: int = 72
    """Known hours that the record needs (our choice). [h]"""
    noise: float = 1.0
    """Standard deviation of an hour's value about the fit, for the weight of the prior (our choice). [% RH]"""
    prior_correlation: float = 12.0
    """Hours that share one error: variance inflation of the prior's weight (our choice). [h]"""
    leverage_correlation: float = 12.0
    """The same in the standard error of what is predicted (our choice). [h]"""
    sd_share: float = 0.7
    """The scatter is at least this share of the standard deviation: its tails count (our choice). [-]"""
    min_scatter: float = 0.0
    """Least scatter of a window's mean. [% RH]"""


@dataclass(frozen=True)
class HollowPlaceParameters:
    """Re-wetting of cavities and sub-floor voids; vapour pressures of both airs explain that of the location."""

    regression: RegressionParameters = RegressionParameters(gap_h=12)
    """A gap of 12 h found leaks 4 h sooner than one of 24 h, without more false alarms."""
    lags_h: tuple[float, ...] = (1.0, 12.0)
    """Time constants with which an air reaches a location: through gaps, and out of the materials (our choice). [h]"""
    saturation_prior: tuple[float, float] = (0.0, 0.5)
    """Mean and standard deviation of what the location gives off as it warms: share of saturation (our choice). [-]"""
    saturation_lags_h: tuple[float, ...] = (12.0,)
    """Time constants of what its materials, warmed by day, give off and take back (our choice). [h]"""
    air_prior: tuple[float, float] = (0.4, 0.4)
    """Mean, divided by the number of airs, and standard deviation of each lagged air's share (our choice). [-]"""
    windows_h: tuple[int, ...] = (3, 6, 12, 24, 48)
    """Spans of the means that are tested: a burst pipe, and a drip (our choice). [h]"""
    window_shares: tuple[float, ...] = (1.25, 1.0, 0.85, 0.7, 0.6)
    """Share of the least rise that each span needs (our choice). [-]"""
    cavity_k: float = 4.0
    """Standard errors; chosen for at most 0.5 false alarms in 100 cavity-weeks, 1 in ventilated attics (our choice)."""
    void_k: float = 3.5
    """The same for a void, which is damped (our choice)."""
    cavity_rise_pct: float = 2.0
    """Least mean innovation over 6 h: about the ±2 % RH of a probe (common practice). [% RH]"""
    void_rise_pct: float = 1.5
    """The same for a void, whose air changes slowly (our choice). [% RH]"""
    own_source: float = 1.03
    """Vapour of the location over that of every air that reaches it: a source of its own (our choice). [-]"""
    reaches: float = 0.15
    """An air whose summed coefficient is surely below does not reach the location (our choice). [-]"""
    void_reach: float = 0.5
    """Share of an air's rise that a void must outdo, times the air's coefficient (our choice). [-]"""
    first_verdict_h: int = 120
    """Nothing is said before, from the first reading on (our choice). [h]"""


@dataclass(frozen=True)
class SleeveParameters:
    """Re-wetting of sealed sleeves; a straight line and the temperature explain the humidity."""

    regression: RegressionParameters = RegressionParameters(
        record_h=480, noise=0.15, leverage_correlation=24.0, sd_share=0.5, min_scatter=0.05
    )
    slope_prior: tuple[float, float] = (-0.1, 0.4)
    """Mean and standard deviation of the drying (our choice, from slabs of 60 to 150 mm). [% RH/d]"""
    temperature_lags_h: tuple[float, float] = (1.0, 24.0)
    """Time constants with which temperature reaches probe and concrete (our choice). [h]"""
    temperature_priors: tuple[tuple[float, float], ...] = ((0.15, 0.3), (0.1, 0.3))
    """Mean and standard deviation of each: together the 0.2 to 0.5 of Bažant and Najjar (1972). [% RH/K]"""
    windows_h: tuple[int, ...] = (6, 12, 24, 48)
    """Spans of the means that are tested (our choice). [h]"""
    k: float = 4.0
    """Standard errors; chosen for at most 0.5 false alarms in 100 sleeve-weeks (our choice)."""
    rise_pct: float = 1.0
    """Least mean innovation (our choice: several times what sealed concrete scatters). [% RH]"""
    measured_rise_pct: float = 0.5
    """Rise that the humidity itself must show (our choice). [% RH]"""
    measured_rise_lags_h: tuple[int, ...] = (24, 72)
    """... over these times (our choice). [h]"""
    first_h: int = 48
    """Hours after sealing that are left out: the first rush of the approach (our choice). [h]"""
    first_verdict_h: int = 144
    """Hours after sealing before the first verdict (our choice). [h]"""


@dataclass(frozen=True)
class RoomParameters:
    """Lost drying potential of a room's air; what yesterday was, warmth and outdoor air explain its vapour."""

    regression: RegressionParameters = RegressionParameters()
    means_h: tuple[int, ...] = (3, 6)
    """Spans whose mean is held against that of the same hours of yesterday (our choice). [h]"""
    lag_h: int = 24
    """So daily cycles cancel; two and three days ago as well raised false alarms by a third (tried). [h]"""
    outdoor_lags_h: tuple[float, ...] = (1.0, 12.0)
    """Time constants with which outdoor air reaches the room: windows, and materials (our choice). [h]"""
    vapour_prior: tuple[float, float] = (-0.5, 0.5)
    """Share of yesterday's departure from the five-day mean that has gone: mean, deviation (our choice). [-]"""
    saturation_prior: tuple[float, float] = (0.1, 0.3)
    """What the room's materials give off as it warms, a share of the change of saturation (our choice). [-]"""
    outdoor_prior: tuple[float, float] = (0.15, 0.3)
    """Share of each lagged change of the outdoor vapour (our choice). [-]"""
    k: float = 4.0
    """Standard errors; with the limits below chosen for at most 2 false alarms in 100 room-weeks, 1 in a lived-in house
    (our choice)."""
    rise_pct: float = 3.0
    """Least rise since yesterday, and least part of it not explained, as humidity at the room's temperature: twice the
    probes' uncertainty (our choice). [% RH]"""
    wet_surface: float = 0.9
    """Relative humidity of the damp surface whose drying potential is meant (our choice). [-]"""
    loss: float = 0.2
    """Share of the five-day mean potential that must be gone (our choice; 0.15 brought false alarms in houses). [-]"""
    min_loss_pct: float = 5.0
    """... and at least so much, as humidity at the room's temperature: where little can dry, little is lost (our
    choice). [% RH]"""
    hold_h: int = 6
    """Both for so long on end: cooking and a shower are over sooner (our choice). [h]"""
    cold_share: float = 0.5
    """Potential under this share of the lowest half-day mean of five days is lost whatever explains it: where heating
    fails the vapour falls as well (our choice). [-]"""
    low_mean_h: int = 12
    """Half a day, of whose means the lowest is taken (our choice). [h]"""
    usual_h: int = 120
    """Five days whose mean is the usual (our choice). [h]"""
    usual_gap_h: int = 12
    """... and which end so long ago (our choice). [h]"""
    stands_h: int = 24
    """A hit counts for so long (our choice). [h]"""
    back: float = 0.9
    """Over once the potential is back at this share of what it was, for `back_h` on end (our choice). [-]"""
    back_h: int = 6
    """[h]"""


HOLLOW_PLACES = HollowPlaceParameters()
SLEEVES = SleeveParameters()
ROOMS = RoomParameters()
