"""The limits of the analysis that a firm may change, each with its unit and its source.

What a firm has no reason to change (windows of the statistics, tuning of the fits, what a working probe can read) is
not configuration: it stands in the `parameters.py` of each room of `monitord/analysis`. Where a limit is "our choice",
`monitord/analysis/METHOD.md` explains it.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0)]


class AnalysisOptions(BaseModel):
    """Limits and windows of the analysis."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    # reading a probe
    air_settling_s: Positive = 3600.0
    """Readings this soon after a placement begins are settling. Side by side, air probes come together in five to ten
    minutes (common practice); an hour leaves out the carrying and the warm hand as well. [s]"""
    pairing_age_s: Positive = 3600.0
    """The air of two locations is compared only on readings at most this far apart, or three intervals, the longer
    (our choice). [s]"""
    coverage: Positive = 2.0
    """A difference is called one when larger than this many standard uncertainties (k = 2, about 95 %;
    JCGM 100:2008, 6.2). [standard uncertainties]"""
    common_offset_share: Annotated[float, Field(ge=0, le=1)] = 1.0
    """Share of a probe's stated accuracy treated as a constant offset rather than noise (our choice). [-]"""

    # surfaces
    f_rsi_u: Annotated[float, Field(ge=0, le=0.3)] = 0.03
    """Standard uncertainty of a stated temperature factor (our choice). [-]"""
    surface_u_k: Positive = 0.3
    """Standard uncertainty of a contact surface temperature: sensor and contact (our choice). [K]"""
    surface_rh_watch_pct: Positive = 80.0
    """Surface RH that counts as humid (EN ISO 13788 mould criterion). [%]"""
    margin_warn_k: Positive = 3.0
    """Margin to the dew point under which a surface is warned of (ISO 8502-4 guidance for coating). [K]"""
    condensation_probability_warn: Positive = 0.2
    """Probability of condensation from which a surface is warned of (our choice). [-]"""
    condensation_probability_act: Positive = 0.5
    """Probability from which a surface counts as condensing: more likely than not (our choice). [-]"""
    surface_averaging_h: Annotated[float, Field(ge=0, le=48)] = 4.0
    """EN ISO 13788 is for steady temperatures; the factor is applied to the means of the last hours, since a wall
    follows the air beside it late (a light wall by some 2 h, which this mean is; our choice). [h]"""
    void_averaging_h: Annotated[float, Field(ge=0, le=96)] = 24.0
    """The same for the underside in a void, where ground and floor keep the day's mean (our choice). [h]"""
    surface_averaging_u: Annotated[float, Field(ge=0, le=1)] = 0.5
    """Standard uncertainty from not knowing that time: this share of what the mean changes (our choice). [-]"""

    # the night ahead
    night_hours: Annotated[int, Field(ge=6, le=48)] = 24
    """How far the margin of a cold surface is forecast: a night and a day (our choice). [h]"""
    night_cycle_days: Annotated[int, Field(ge=2, le=30)] = 5
    """From how many past days the daily cycle is taken, the last one counting most (our choice). [days]"""
    night_min_u_k: Positive = 0.4
    """Least standard uncertainty of the forecast margin, however well the last days repeat (our choice). [K]"""

    outdoor_forecast_max_age_h: Positive = 24.0
    """A forecast of the outdoor air that was issued longer ago is not used (our choice). [h]"""

    # mould, wood
    mould_days_ahead: Positive = 7.0
    """A surface heading for mould index 1 within this many days at the present rate is reported (our choice). [days]"""
    mould_early_rh_pct: Positive = 80.0
    """Seven-day mean surface humidity of the early caution: EN ISO 13788's limit for a month, over a week instead
    (our choice). [%]"""
    mould_early_min_c: float = 5.0
    """Seven-day mean surface temperature from which that caution counts (as in ASHRAE 160). [°C]"""
    mould_index_warn: Positive = 1.0
    """Mould index of first growth, seen with a microscope (Hukka and Viitanen 1999). [-]"""
    mould_index_act: Positive = 3.0
    """Mould index seen with the eye; ASHRAE 160-2016 keeps designs under it. [-]"""
    wood_decay_pct: Positive = 20.0
    """Moisture content from which timber is cautioned about (Wood Handbook ch. 14). [% of dry mass]"""

    # ventilation, heating, dehumidifying
    airing_changes_per_h: Positive = 1.0
    """Air change for which ventilation is worked out: a window ajar gives 0.5 to 2 (common practice). [1/h]"""
    airing_volume_m3: Positive = 50.0
    """Volume of the room for which it is worked out (our choice); give the room's own. [m³]"""
    base_changes_per_h: Positive = 0.3
    """Air change of a shut room (common practice). [1/h]"""
    heating_step_k: Positive = 5.0
    """Warming for which heating is worked out (our choice). [K]"""
    dehumidified_rh_pct: Positive = 40.0
    """Humidity that a dehumidifier of enough size brings a warm room to (common practice). [%]"""

    # frost and heat
    freezing_caution_c: float = 3.0
    """Room air at which pipes on outer walls may freeze (common practice). [°C]"""
    overheating_caution_c: float = 40.0
    """Air that finishes, machines and timber do not stand for long (common practice). [°C]"""
    overdrying_emc_pct: Positive = 5.0
    """Air whose equilibrium moisture content is below this dries the surface of timber too fast when it is also warm
    (common practice: timber indoors is kept at 6 to 12). [% of dry mass]"""
    overdrying_min_c: float = 30.0
    """Temperature from which that counts (our choice). [°C]"""

    # silence
    silent_interval_floor_s: Positive = 600.0
    """For silence, a reporting interval shorter than this counts as this long (our choice). [s]"""
    silent_first_grace_h: Positive = 24.0
    """A probe that never reported at its location is "no reading yet" for this long after its placement begins, and
    silent only then: a job is often entered before its probes are switched on (our choice). [h]"""
    stale_after_intervals: Positive = 6.0
    """A location counts as not known after this many such intervals without a reading (our choice).
    [intervals]"""

    # calibration
    calibration_valid_d: Positive = 365.0
    """How long a probe's check is good for, where its job says nothing else: a year (common practice). [d]"""

    # timber
    timber_lag_days: Positive = 14.0
    """Time constant with which a joist follows its air: about two weeks (common practice). [days]"""
    timber_species_u_pct: Positive = 0.7
    """Standard uncertainty from species and hysteresis, whose scatter is 1 to 2 %MC (Wood Handbook ch. 4). [% MC]"""

    timber_spot_u_pct: Positive = 2.0
    """Standard uncertainty of a spot reading of timber by a resistance meter, corrected for species and temperature
    (common practice). [% MC]"""
    timber_spot_uncorrected_u_pct: Positive = 3.0
    """The same where it is not corrected (our choice: species differ by some 2 %MC, and a meter reads about 1 %MC
    lower for each 10 K that the wood is colder; James 1988, FPL-GTR-6). [% MC]"""

    # sleeves
    sleeve_clock_h: Positive = 72.0
    """Least time between sealing a sleeve and a verdict: 72 h in UK practice; ASTM F2170 since 2018: 24 h. [h]"""
    sleeve_gap_pct: Positive = 1.0
    """Largest approach still to come in an equilibrated sleeve (our choice, within a probe's accuracy). [% RH]"""
    sleeve_tau_h: Positive = 14.0
    """Usual time constant of a sealed sleeve's approach, before its readings show it (our choice). [h]"""

    # getting wet again
    rewetting_sleeve_pct: Positive = 1.5
    """Departure of a sleeve from its own course that counts as getting wet slowly, from below (common practice); two
    thirds of it, for it is slow and so surer. [% RH]"""

    # drying, stalls, goals
    stall_share_per_week: Positive = 0.10
    """Stalled: what remains falls by less than this share in seven days (the project's definition). [-]"""
    stall_probability: Annotated[float, Field(gt=0, lt=1)] = 0.8
    """How sure it must be that the air holds an element back before it is called stalled (our choice). [-]"""
    check_uncertainty_pct: Positive = 0.5
    """Standard uncertainty of a check of a probe, over a saturated salt or beside a checked probe: ± 1 % RH with k = 2
    (our choice; the salts themselves are known to ± 0.2 to 0.5 % RH, Greenspan 1977). What such a check would gain is
    said where a date or a goal hangs on it. [% RH]"""
    goal_confidence: Positive = 1.65
    """At goal: the mean lies under the limit by this many standard uncertainties (one-sided 95 %; JCGM 100).
    [standard uncertainties]"""
