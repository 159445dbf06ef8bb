"""Every limit and tuning value by which a probe is judged, each with its unit and its source.

The kinds of check follow the World Meteorological Organization's for automatic stations (Zahumenský 2004; WMO-No. 8,
vol. V); the limits are ours, since a sealed sleeve or a cavity is no open field.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ProbeParameters:
    """Values of `analysis/probes`; used as `PROBES.name`."""

    # range
    min_temperature_c: float = -60.0
    """Lowest temperature of a working probe; WMO gives -80 °C for outdoor air, probes end before (our choice). [°C]"""
    max_temperature_c: float = 80.0
    """Highest; WMO gives 60 °C for outdoor air, heat drying reaches higher (our choice). [°C]"""
    min_rh_pct: float = 0.5
    """Lowest humidity of a working probe: exactly zero is a dead one (our choice). The highest is
    `SERIES.max_rh_pct`. [% RH]"""
    out_of_range_min_h: int = 2
    """Hours in a row with such values before it is a fault of the probe (our choice). [h]"""

    # stuck
    stuck_min_air_h: float = 4.0
    """Least time without any change of either value before a probe in open air may be called stuck (our choice). [h]"""
    stuck_min_h: float = 8.0
    """The same elsewhere: sleeves and voids hardly move for hours (our choice). [h]"""
    stuck_log_odds: float = -16.0
    """Log probability under which such a run is no chance, given how often this probe stood still before: about one in
    ten million (our choice). [-]"""
    frozen_log_odds: float = -80.0
    """The same for the humidity alone at an even temperature, where little moves it (our choice). [-]"""
    still_share_h: int = 240
    """Hours before a run from which it is counted how often the probe stands still: ten days (our choice). [h]"""
    fine_step_pct: float = 0.2
    """Coarsest steps of a probe whose humidity may be called frozen at an even temperature (our choice). [% RH]"""
    fine_step_sleeve_pct: float = 0.05
    """The same in a sleeve, whose concrete moves slowly (our choice). [% RH]"""
    coarse_step_pct: float = 0.2
    """Steps of the humidity from which a healthy probe may stand still in a location that moves less (our choice).
    [% RH]"""
    coarse_step_k: float = 0.2
    """The same of temperature (our choice). [K]"""
    coarse_step_sleeve_k: float = 0.05
    """The same in a sleeve, since a slab keeps its temperature for hours (our choice: with steps of 0.1 K and 1 % RH
    healthy sleeves of simulated jobs stood still for 10 to 60 h). [K]"""
    outlasts_h: int = 72
    """A sleeve whose steps are coarse is stuck after standing still for this time ... (our choice). [h]"""
    outlasts_times: float = 2.0
    """... and this many times as long as it ever did (our choice). [-]"""
    moves_steps: float = 3.0
    """A location surely moves in a time if it moved by this many steps of the probe ... (our choice). [steps]"""
    moves_share: float = 0.1
    """... in all but this share of the earlier spans as long (our choice). [-]"""
    moves_min_spans: int = 24
    """Earlier spans that are needed to say so (our choice). [spans]"""
    near_saturation_pct: float = 97.0
    """Humidity from which fog and wet walls hold it still: no probe is called stuck there (our choice). [% RH]"""
    moved_k: float = 1.5
    """Movement of temperature under which a frozen humidity says little: at 0.2 to 0.5 %/K (Bažant and Najjar 1972)
    and more in open air a humidity should follow it (our choice). [K]"""
    moved_sleeve_k: float = 3.0
    """The same in a sleeve (our choice). [K]"""

    # noise and spikes
    noise_window_h: float = 8.0
    """Time over which white noise is estimated (our choice). [h]"""
    noise_min_readings: int = 12
    """Readings in it that the estimate needs (our choice). [readings]"""
    noise_tail_pct: float = 2.0
    """Share of the steps at either end that are pulled in before the noise is estimated (our choice). [%]"""
    noise_limit_air_pct: float = 6.0
    """White noise of the humidity in open air from which a probe is noisy; makers state about 0.1 (our choice).
    [% RH]"""
    noise_limit_pct: float = 2.5
    """The same elsewhere (our choice). [% RH]"""
    noise_growth: float = 3.0
    """Factor by which the range within an hour must have grown as well: a room with duty-cycled machines is restless,
    and its probe is not (our choice). [-]"""
    usual_range_pct: float = 0.5
    """A range of humidity within the hour below this counts as this: a steadier one says nothing (our choice).
    [% RH]"""
    usual_range_k: float = 0.2
    """The same of temperature (our choice). [K]"""
    temperature_growth: float = 2.0
    """Growth of temperature's range within the hour from which it is the air that is restless (our choice). [-]"""
    noise_min_h: int = 60
    """Hours of a placement before its range within the hour is compared (our choice). [h]"""
    noise_before_h: int = 720
    """Hours before that the range is compared with: a month (our choice). [h]"""
    noise_gap_h: int = 10
    """Newest hours that are left out of them (our choice). [h]"""
    noise_now_h: int = 8
    """Newest hours whose range is compared (our choice). [h]"""
    spike_limit_air_pct: float = 12.0
    """Least jump of a lone humidity from both neighbours in open air (our choice). [% RH]"""
    spike_limit_pct: float = 6.0
    """The same elsewhere (our choice). [% RH]"""
    spike_limit_k: float = 5.0
    """The same of temperature, everywhere (our choice). [K]"""
    spike_steps: float = 6.0
    """And it is at least this many times the usual step from reading to reading (our choice). [-]"""
    spikes_a_day: int = 3
    """Spikes within 24 h from which it is a fault and no accident (our choice). [spikes]"""

    # gaps
    gaps_a_day: int = 12
    """Gaps within 24 h from which lost readings are a fault (our choice). [gaps]"""
    gaps_share: float = 0.2
    """For slow reporters this share of a day's readings instead, where it is less (our choice). [-]"""
    lost_share: float = 0.3
    """Share of the last day's readings that are lost, from which it is a fault (our choice). [-]"""
    gap_min_readings: int = 6
    """Readings of the last day that are needed to judge (our choice). [readings]"""
    usual_step_pct: float = 10.0
    """Percentile of the steps that shows the interval the probe really keeps, if longer than stated (our choice).
    [%]"""
    scattered_gap_h: float = 4.0
    """A gap longer than this is silence, a gateway's or the probe's, and no scattered loss (our choice). [h]"""

    # clock
    clock_ahead_s: float = 180.0
    """A clock further ahead of arrival than this is wrong (our choice). [s]"""
    clock_behind_s: float = 900.0
    """A clock further behind than this is wrong (our choice). [s]"""
    clock_behind_intervals: float = 1.5
    """And further than this many intervals (our choice). [intervals]"""
    clock_window_h: float = 6.0
    """Time over which delays are judged, and whose readings a wrong clock puts out (our choice). [h]"""
    clock_window_intervals: float = 12.0
    """And at least this many intervals (our choice). [intervals]"""
    clock_min_readings: int = 4
    """Readings that are needed (our choice). [readings]"""
    one_at_a_time_share: float = 0.5
    """Readings whose arrivals lie further apart than this share of the interval come one at a time and are no backlog
    (our choice). [-]"""

    # jumps to another level
    flat_h: int = 6
    """Flat hours before and after a jump to another level (our choice). [h]"""
    jump_min_h: int = 18
    """Hours of a placement before jumps are looked for (our choice). [h]"""
    jump_sleeve_pct: float = 5.0
    """Jump between neighbouring hours in a sealed sleeve (our choice). [% RH]"""
    jump_pct: float = 9.0
    """The same in a cavity or void (our choice). [% RH]"""
    flat_sleeve_pct: float = 1.2
    """Range of the flat hours in a sleeve (our choice). [% RH]"""
    flat_pct: float = 2.5
    """The same in a cavity or void (our choice). [% RH]"""
    jump_max_k: float = 1.5
    """Range of temperature about the jump from which it may have caused it (our choice). [K]"""
    like_room_pct: float = 4.0
    """A new level this near to the room's humidity is the room's: the sleeve was opened (our choice). [% RH]"""

    # standing at saturation
    saturated_pct: float = 98.0
    """Humidity from which a reading counts as saturated (our choice). [% RH]"""
    into_saturation_pct: float = 12.0
    """Jump within two hours by which a wetted sensor gets there (our choice). [% RH]"""
    saturated_outdoors_h: int = 24
    """Hours at saturation after such a jump outdoors, where a night's fog comes as fast (our choice). [h]"""
    saturated_h: int = 12
    """The same elsewhere (our choice). [h]"""
    lifeless_pct: float = 1.5
    """Range of the humidity meanwhile that shows no life (our choice). [% RH]"""
    fog_h: int = 36
    """Longest that open air stays saturated while its temperature moves (our choice). [h]"""
    foggy_h: int = 96
    """The same in weather that was foggy before, as a winter's may be (our choice). [h]"""
    fog_k: float = 5.0
    """Range of temperature meanwhile (our choice). [K]"""
    saturated_habit_share: float = 0.05
    """Air that stood at saturation in more than this share of the week before is foggy (our choice). [-]"""

    # drift of a sleeve's probe
    fall_days: int = 4
    """Days over which a fall is judged (our choice). [days]"""
    fall_before_days: int = 8
    """Days before, that it is compared with (our choice). [days]"""
    fall_settling_days: int = 6
    """Days after the placement began that are not judged: the sleeve equilibrates (our choice). [days]"""
    max_fall_pct_per_day: float = 4.0
    """A faster fall is a sleeve that was opened (our choice). [% RH/day]"""
    min_fall_pct_per_day: float = 0.45
    """A slower one is within what drying does (our choice). [% RH/day]"""
    more_fall_pct_per_day: float = 0.45
    """The fall exceeds what it was before by this (our choice); concrete dries at a falling rate (Crank 1975).
    [% RH/day]"""
    more_fall_factor: float = 1.5
    """And by this factor (our choice). [-]"""
    fall_se: float = 2.0
    """Standard errors by which each slope is taken the careful way (our choice). [standard errors]"""
    calm_k: float = 1.5
    """Change of mean temperature from which it may have caused the fall (our choice). [K]"""
    drier_room_pct: float = 6.0
    """Fall of the room's mean humidity from which it may have caused it (our choice). [% RH]"""
    day_min_h: int = 8
    """Hours that a day's mean needs here (our choice). [h]"""

    # left its location
    near_k: float = 1.2
    """Temperature difference to the room up to which a probe reads room air (our choice). [K]"""
    near_u: float = 2.5
    """Vapour-pressure difference to the room up to which it does, in standard uncertainties (our choice).
    [standard uncertainties]"""
    near_share: float = 0.02
    """And this share of the room's vapour pressure on top: rooms are not even (our choice). [-]"""
    near_min_h: int = 6
    """Hours for which it does (our choice). [h]"""
    near_gap_h: int = 2
    """Breaks up to this long are bridged (our choice). [h]"""
    apart_h: int = 12
    """Hours before, from which its own level is taken (our choice). [h]"""
    apart_min_h: int = 4
    """Hours of them that must be known (our choice). [h]"""
    apart_now_h: int = 3
    """Hours after, from which the new level is taken (our choice). [h]"""
    near_habit_share: float = 0.10
    """A location that agreed with the room in more than this share of the week before does so without a fault (our
    choice). [-]"""
    near_habit_factor: float = 2.0
    """By this factor more where it now goes along with the room in temperature as well (our choice). [-]"""
    jumped_u: float = 2.0
    """Least change of vapour pressure, in standard uncertainties (our choice). [standard uncertainties]"""
    clear_jump_u: float = 6.0
    """Change from which vapour pressure alone decides (our choice). [standard uncertainties]"""
    clear_jump_ranges: float = 1.5
    """And it is this many times the range of the hours before (our choice). [-]"""
    along_h: int = 12
    """Hours for which it goes along with the room in both values, where vapour pressure alone is not clear (our
    choice). [h]"""
    along_u: float = 0.5
    """Standard deviation of the vapour-pressure difference while it does (our choice). [standard uncertainties]"""
    own_way_k: float = 0.9
    """Mean or standard deviation of the temperature difference of a probe that goes its own way (our choice). [K]"""
    along_k: float = 0.3
    """Standard deviation of the temperature difference of one that goes along (our choice). [K]"""

    # drier than every air around it
    drier_days: int = 5
    """Days in a row that a cavity or void reads drier than any air around it before its probe drifts (our choice).
    [days]"""
    drier_u: float = 2.0
    """By this many standard uncertainties of the difference (our choice). [standard uncertainties]"""
    drier_gap_h: int = 12
    """Breaks up to this long are bridged (our choice). [h]"""
    common_drift_days: float = 3.0
    """Drifts that begin within this of each other have a common cause that is no probe's (our choice). [days]"""

    # judging
    usual_indoor_c: float = 18.0
    """Temperature of the air for which a difference's uncertainty is worked out (our choice). [°C]"""
    usual_indoor_rh_pct: float = 60.0
    """Its humidity (our choice). [% RH]"""
    location_min_h: int = 6
    """Hours of a placement before it is judged by its location and the air around it (our choice). [h]"""
    holds_h: float = 3.0
    """A fault whose span ended within this is still called present (our choice). [h]"""
    lone_holds_h: float = 24.0
    """The same for lone or lost readings (our choice). [h]"""
    last_seen_h: float = 3.0
    """A fault is judged while the probe was last seen within this and some intervals (our choice). [h]"""
    last_seen_intervals: float = 3.0
    """Those intervals (our choice). [intervals]"""

    # battery
    battery_readings: int = 12
    """Newest readings whose median counts, so that a dip while sending raises no alert (our choice). [readings]"""

    # checks of several probes together, and over salts
    together_settle_s: float = 1800.0
    """Left out at the beginning: two probes come together in five to ten minutes (common practice), warm hands and
    boxes take longer (our choice). [s]"""
    together_min_s: float = 3600.0
    """Least time of a check (our choice). [s]"""
    together_min_readings: int = 6
    """Readings of each probe in it (our choice). [readings]"""
    together_bin_s: float = 600.0
    """Spans in which probes that report at other times are compared (our choice). [s]"""
    together_min_bins: int = 3
    """Spans that all reported in, for that comparison (our choice). [spans]"""
    together_coverage: float = 2.0
    """Standard uncertainties by which a probe's interval is widened (k = 2, JCGM 100:2008, 6.2).
    [standard uncertainties]"""
    uneven_k: float = 0.1
    """Standard uncertainty of the temperature within one box (our choice); 0.5 % RH near 75 % RH. [K]"""
    salt_steady_pct: float = 0.3
    """Largest change from one hour to the next in a box that has settled (our choice). [% RH]"""
    salt_steady_k: float = 0.3
    """The same of its temperature (our choice). [K]"""
    salt_min_readings: int = 2
    """Readings that each of the two hours needs (our choice). [readings]"""


PROBES = ProbeParameters()
"""The values in use."""
