"""Every limit and tuning value of the tests for events, each with its unit and its source.

Where the source is "our choice" the value was set on simulated jobs and looked at on real attics, walls and lived-in
rooms that were not dried; the rate of false alarms that a threshold was chosen for stands with it. Gaussian theory
gives the size of the thresholds: a six-hour mean of hourly innovations crosses its mean upwards 5 to 7 times a week, so
0.3 false crossings in 100 weeks ask for exp(-k²/2) = 5e-4, k = 3.9 (Rice 1944); with five correlated windows 4.1.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class WettingParameters:
    """Values of `analysis/wetting`; used as `WETTING.name`."""

    # the innovation test
    train_h: int = 240
    """Hours that a fit rests on: ten days hold weather of several kinds (our choice). [h]"""
    min_train_h: int = 72
    """Known hours that a fit needs (our choice). [h]"""
    min_record_h: int = 72
    """Known innovations that the usual scatter needs (our choice). [h]"""
    leverage_mean_h: int = 6
    """Regressors whose leverage counts are a mean of so many hours (our choice). [h]"""
    max_held_h: int = 6
    """An exponential mean stands for so long after its last known hour (our choice). [h]"""
    mad_to_sd: float = 1.4826
    """Standard deviation over the median absolute deviation of a normal distribution (Hampel 1974). [-]"""
    level_mean_h: int = 6
    """Hours whose mean is the level of a location or an air (our choice). [h]"""
    min_level_share: float = 0.3
    """Share of those hours that must be known (our choice). [-]"""

    # cavities and sub-floor voids
    cavity_gap_h: int = 12
    """Hours between the end of a fit and the hour it predicts, so that new water is not learned: 24 found leaks 4 h
    later and raised no fewer false alarms (our choice). [h]"""
    cavity_record_h: int = 240
    """Hours of innovations that say what is usual (our choice). [h]"""
    cavity_noise_pct: float = 1.0
    """Standard deviation of an hour's value about the fit, for the weight of the prior (our choice). [% RH]"""
    cavity_correlation_h: float = 12.0
    """Hours that share one error: variance inflation of prior and leverage (our choice). [h]"""
    cavity_sd_share: float = 0.7
    """The scatter is at least this share of the standard deviation: the tails count (our choice). [-]"""
    cavity_air_lags_h: tuple[float, ...] = (1.0, 12.0)
    """Time constants with which an air reaches a location: through gaps, and out of materials (our choice). [h]"""
    cavity_warmth_lags_h: tuple[float, ...] = (12.0,)
    """Time constants of what materials give off as they warm: without it an attic's mornings raised 4 false
    alarms in 100 weeks, with it none (our choice). [h]"""
    cavity_warmth_prior: tuple[float, float] = (0.0, 0.5)
    """Mean and standard deviation of those shares of saturation (our choice). [-]"""
    cavity_air_prior: tuple[float, float] = (0.4, 0.4)
    """Mean, divided by the number of airs, and standard deviation of each lagged air's share (our choice). [-]"""
    cavity_windows_h: tuple[int, ...] = (3, 6, 12, 24, 48)
    """Spans of the means that are tested: a burst pipe, and a drip (our choice). [h]"""
    cavity_window_shares: tuple[float, ...] = (1.25, 1.0, 0.85, 0.7, 0.6)
    """Share of the least rise that each of them needs (our choice). [-]"""
    cavity_k: float = 4.0
    """Standard errors; chosen for 0.5 false alarms in 100 cavity-weeks, 1 in ventilated attics (our choice). [-]"""
    void_k: float = 3.5
    """The same for a void, which is damped (our choice). [-]"""
    cavity_rise_pct: float = 2.0
    """Least mean innovation over 6 h: a probe's ± 2 % RH (common practice). [% RH]"""
    void_rise_pct: float = 1.5
    """The same for a void, whose air changes slowly (our choice). [% RH]"""
    own_source: float = 1.03
    """Vapour of a location over that of every air that reaches it: a source of its own (our choice). [-]"""
    reaches: float = 0.15
    """An air whose summed coefficient is surely below does not reach the location (our choice). [-]"""
    void_reach: float = 0.5
    """Share of an air's rise that a void must outdo, times the air's coefficient (our choice). [-]"""
    cavity_first_h: int = 120
    """Nothing is said before, from the first reading on (our choice). [h]"""
    before_mean_h: int = 48
    """Hours whose mean a rise is taken against (our choice). [h]"""
    before_gap_h: int = 30
    """... and how long ago they ended; an event's level before it is the median from then on (our choice). [h]"""
    min_before_share: float = 0.25
    """... and the share of them that must be known (our choice). [-]"""
    air_peak_h: int = 12
    """An air's highest level of so many hours counts as its rise (our choice). [h]"""

    # sealed sleeves
    sleeve_gap_h: int = 24
    """Hours between the end of a fit and the hour it predicts (our choice). [h]"""
    sleeve_record_h: int = 480
    """Hours of innovations that say what is usual: concrete is slow (our choice). [h]"""
    sleeve_noise_pct: float = 0.15
    """Standard deviation of an hour's value about the fit (our choice). [% RH]"""
    sleeve_prior_correlation_h: float = 12.0
    """Variance inflation of the prior (our choice). [h]"""
    sleeve_leverage_correlation_h: float = 24.0
    """Variance inflation of the leverage: a day's errors are one (our choice). [h]"""
    sleeve_sd_share: float = 0.5
    """The scatter is at least this share of the standard deviation (our choice). [-]"""
    sleeve_min_scatter_pct: float = 0.05
    """Least scatter of a window's mean: a probe's resolution (common practice). [% RH]"""
    sleeve_slope_prior: tuple[float, float] = (-0.1, 0.4)
    """Mean and standard deviation of the drying, from slabs of 60 to 150 mm (our choice). [% RH/d]"""
    sleeve_temperature_lags_h: tuple[float, ...] = (1.0, 24.0)
    """Time constants with which temperature reaches probe and concrete (our choice). [h]"""
    sleeve_temperature_priors: tuple[tuple[float, float], ...] = ((0.15, 0.3), (0.1, 0.3))
    """Mean and standard deviation of each: together the 0.2 to 0.5 of Bažant and Najjar 1972. [% RH/K]"""
    sleeve_windows_h: tuple[int, ...] = (6, 12, 24, 48)
    """Spans of the means that are tested (our choice). [h]"""
    sleeve_k: float = 4.0
    """Standard errors; chosen for 0.5 false alarms in 100 sleeve-weeks (our choice). [-]"""
    sleeve_rise_pct: float = 1.0
    """Least mean innovation: several times what sealed concrete scatters (our choice). [% RH]"""
    sleeve_measured_rise_pct: float = 0.5
    """Rise that the humidity itself must show (our choice). [% RH]"""
    sleeve_measured_lags_h: tuple[int, ...] = (24, 72)
    """... over these times (our choice). [h]"""
    sleeve_begin_h: int = 48
    """Hours after sealing that are left out: the fast first part of the approach (our choice). [h]"""
    sleeve_first_h: int = 144
    """Hours after sealing before the first verdict (our choice). [h]"""

    sleeve_clean_h: int = 3
    """Hours whose mean temperature a sleeve's humidity is cleaned of (our choice). [h]"""
    slow_rise_share: float = 0.67
    """Share of `rewetting_sleeve_pct` that a departure from the own course needs: it is slow, so surer (our choice).
    [-]"""
    slow_span_d: int = 7
    """Days of each of the two spans whose slopes tell the course: it slows down as the second is slower than the
    first (our choice). [days]"""
    slow_gaps_d: tuple[int, ...] = (4, 8, 12)
    """Days between the course and the day it is held against: the more have passed, the clearer (our choice). [days]"""
    slow_pace: tuple[float, float] = (0.2, 0.999)
    """Range of the second slope over the first that a course slows down by (our choice). [-]"""
    slow_kept_d: int = 21
    """Days that a turn is looked for and stands (our choice). [days]"""
    slow_wander_pct_per_k: float = 0.2
    """What each kelvin of the range of temperature adds to the limits: concrete follows it late (our choice).
    [% RH/K]"""
    slow_min_rise_pct: float = 0.3
    """Least rise of a day's mean above the lowest: a few times what sealed concrete scatters (our choice). [% RH]"""
    slow_rising_d: int = 3
    """It rises where the mean of two days is no lower than so long before (our choice). [days]"""
    slow_known_share: float = 0.7
    """Share of the days that must be known (our choice). [-]"""
    slow_air_rise_pct: float = 6.0
    """A rise of the air since its driest week that may explain a turn near the surface (our choice). [% RH]"""
    slow_air_d: int = 3
    """Days whose mean is the air now (our choice). [days]"""
    slow_air_near_pct: float = 1.0
    """Air as wet as the concrete, less this, explains a turn as well (our choice). [% RH]"""
    slow_apart_d: int = 3
    """Days that may lie between two hits of one turn (our choice). [days]"""

    # how long an event stands
    min_hours_h: int = 36
    """Nothing is said on a shorter series (our choice). [h]"""
    event_hold_h: int = 240
    """How long an event stands after its last hit: by then the new level is the usual one (our choice). [h]"""
    event_apart_h: int = 96
    """Hits closer than this are one event (our choice). [h]"""
    event_back_share: float = 0.4
    """Over once all but this share of the rise is gone (our choice). [-]"""
    event_min_fall_share: float = 0.5
    """Over once it fell for a day, by this share of the least rise (our choice). [-]"""
    event_quiet_h: int = 12
    """... and nothing new was detected for so long (our choice). [h]"""
    event_min_rise_share: float = 0.7
    """It must have risen by this share of the least rise (our choice). [-]"""

    # drying potential of a room
    room_gap_h: int = 24
    """Hours between the end of a fit and the hour it predicts (our choice). [h]"""
    room_record_h: int = 240
    """Hours of innovations that say what is usual (our choice). [h]"""
    room_noise_pct: float = 1.0
    """Standard deviation of an hour's value about the fit (our choice). [% RH]"""
    room_correlation_h: float = 12.0
    """Variance inflation of prior and leverage (our choice). [h]"""
    room_sd_share: float = 0.7
    """The scatter is at least this share of the standard deviation (our choice). [-]"""
    room_means_h: tuple[int, ...] = (3, 6)
    """Spans whose mean is held against that of the same hours of yesterday (our choice). [h]"""
    room_lag_h: int = 24
    """So daily cycles cancel; two and three days ago as well raised a third more false alarms (our choice). [h]"""
    room_outdoor_lags_h: tuple[float, ...] = (1.0, 12.0)
    """Time constants with which outdoor air reaches the room: windows, and materials (our choice). [h]"""
    room_vapour_prior: tuple[float, float] = (-0.5, 0.5)
    """Share of yesterday's departure from the five-day mean that has gone: mean, deviation (our choice). [-]"""
    room_saturation_prior: tuple[float, float] = (0.1, 0.3)
    """What the room's materials give off as it warms, a share of the change of saturation (our choice). [-]"""
    room_outdoor_prior: tuple[float, float] = (0.15, 0.3)
    """Share of each lagged change of the outdoor vapour (our choice). [-]"""
    room_k: float = 4.0
    """Standard errors in a room that is dried; with the limits below chosen for 2 false alarms in 100 room-weeks (our
    choice). [-]"""
    room_k_not_dried: float = 6.0
    """The same in a room that is not dried: chosen for 1 false alarm in 100 weeks of a lived-in room (our choice).
    [-]"""
    room_dried_pct: float = 3.0
    """A room is dried where its mean vapour is so far under that outdoors, as humidity at the room's temperature: twice
    the probes' uncertainty (our choice). [% RH]"""
    room_dried_mean_h: int = 72
    """Hours of that mean (our choice). [h]"""
    room_rise_pct: float = 3.0
    """Least rise since yesterday, and least part of it not explained, as humidity at the room's temperature: twice the
    probes' uncertainty (our choice). [% RH]"""
    room_level_h: int = 2
    """Hours whose mean is a room's level (our choice). [h]"""
    wet_surface: float = 0.9
    """Relative humidity of the damp surface whose drying potential is meant (our choice). [-]"""
    potential_loss: float = 0.2
    """Share of the five-day mean potential that must be gone; 0.15 brought false alarms in houses (our choice). [-]"""
    potential_min_loss_pct: float = 5.0
    """... and at least so much, as humidity at the room's temperature: where little can dry, little is lost (our
    choice). [% RH]"""
    potential_hold_h: int = 6
    """Both for so long on end: cooking and a shower are over sooner (our choice). [h]"""
    potential_cold_share: float = 0.5
    """Potential under this share of the lowest half-day mean of five days is lost whatever explains it: where heating
    fails the vapour falls as well (our choice). [-]"""
    potential_colder_share: float = 0.95
    """... in a room that is dried, or whose saturation pressure has fallen under this share of its own lowest such
    mean, by 0.8 K: else people are as likely (our choice). [-]"""
    potential_low_mean_h: int = 12
    """Half a day, of whose means the lowest is taken (our choice). [h]"""
    potential_usual_h: int = 120
    """Five days whose mean is the usual (our choice). [h]"""
    potential_usual_gap_h: int = 12
    """... and which end so long ago (our choice). [h]"""
    potential_stands_h: int = 24
    """A hit counts for so long (our choice). [h]"""
    potential_back: float = 0.9
    """Over once the potential is back at this share of what it was (our choice). [-]"""
    potential_back_h: int = 6
    """... for so long on end (our choice). [h]"""
    potential_known_share: float = 0.75
    """Share of the hours of a condition that holds on end that must be known (our choice). [-]"""
    potential_window_h: int = 1080
    """History that is looked through for a loss that still stands: 45 days (our choice). [h]"""

    @property
    def slow_since_d(self) -> int:
        """Days that are needed before the first that a slow rise can be judged on."""
        return 2 * self.slow_span_d + self.slow_gaps_d[-1] - 1


WETTING = WettingParameters()
