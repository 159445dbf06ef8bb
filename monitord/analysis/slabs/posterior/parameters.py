"""Every prior, limit and tuning value of the ensembles of slab sleeves, each with its unit and its source.

The priors are wider than any one source, for a slab of an unknown building is judged by them.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitord.analysis.slabs.posterior.priors import Prior, Shape


@dataclass(frozen=True)
class SlabPriors:
    """Priors of what is not known of a slab and its sleeve, in the order of a member's scores."""

    diffusivity_m2_s: Prior = (Shape.LOG_NORMAL, 8e-10, 1.1)
    """Moisture diffusivity when saturated, at 20 °C: 1e-8/fck is 2e-10 to 6e-10 (fib Model Code 2010); young concrete
    and screeds have more, so wider. [m²/s]"""
    min_share: Prior = (Shape.LOG_UNIFORM, 0.02, 1.0)
    """Share of the diffusivity left when dry: 0.05 in CEB-FIP Model Code 1990, 0.025 to 0.10 in Bažant and Najjar 1972;
    up to 1, a constant one, for screeds and concretes that follow neither (our choice). [-]"""
    bend: Prior = (Shape.UNIFORM, 0.70, 0.90)
    """Pore humidity of half the fall: 0.80 in the Model Code 1990, 0.75 in Bažant and Najjar 1972. [-]"""
    steepness: Prior = (Shape.UNIFORM, 5.0, 20.0)
    """Exponent of the fall: 15 in the Model Code 1990, 6 to 16 in Bažant and Najjar 1972. [-]"""
    capacity: Prior = (Shape.LOG_UNIFORM, 0.3, 8.0)
    """Rise of the moisture capacity towards saturation: sorption isotherms of cement paste are some five times as steep
    there as at 80 % (Xi, Bažant and Jennings 1994). [-]"""
    core_humidity: Prior = (Shape.UNIFORM, 0.86, 0.995)
    """Pore humidity in the core at the start (our choice). [-]"""
    face_deficit: Prior = (Shape.LOG_UNIFORM, 0.002, 0.25)
    """How much drier the face is at the start (our choice). [-]"""
    profile_power: Prior = (Shape.LOG_UNIFORM, 1.0, 12.0)
    """How soon that dies away inwards: an exponent of the share of depth (our choice). [-]"""
    transfer_kg_m2_s_pa: Prior = (Shape.LOG_NORMAL, 1.8e-8, 0.6)
    """Vapour transfer of an indoor face: 1.2e-8 to 2.5e-8 by the Lewis relation (from memory); a skin or covering
    lowers it. [kg/(m² s Pa)]"""
    face_lean: Prior = (Shape.UNIFORM, 0.0, 1.0)
    """How far the face's temperature leans from the sleeve's to the room's (our choice). [-]"""
    supply_kg_m2_s: Prior = (Shape.LOG_UNIFORM, 5e-7, 2e-5)
    """Supply to a fed far side per unit of pore humidity lacking: ground with no membrane (our choice). [kg/(m² s)]"""
    supply_begins: Prior = (Shape.UNIFORM, -1.5, 1.0)
    """When that supply begins, as a share of `supply_horizon_d` from the first day on; before it, from the start: three
    in five. Ground water may rise while a slab dries (our choice). [-]"""
    activation_k: Prior = (Shape.NORMAL, 2700.0, 700.0)
    """Activation energy over the gas constant: 2700 in Bažant and Najjar 1972. [K]"""
    room_bias_share: Prior = (Shape.NORMAL, 0.0, 1.0)
    """Offset of the air's probe as a multiple of its standard uncertainty: definition (JCGM 100). [-]"""
    air_tau_h: Prior = (Shape.LOG_UNIFORM, 3.0, 40.0)
    """Time constant with which a sealed sleeve's air follows: hours to days (common practice). [h]"""
    unmeasured_air: Prior = (Shape.UNIFORM, 0.30, 0.75)
    """Relative humidity of the air over the slab, used only where no probe measures it (our choice). [-]"""

    water: Prior = (Shape.LOG_UNIFORM, 0.01, 0.30)
    """Rise of the pore humidity at the sleeve by water that comes; used from a dated event on (our choice). [-]"""
    water_spread: Prior = (Shape.LOG_UNIFORM, 0.1, 1.0)
    """How far that water reaches, as a share of the thickness; from an event on (our choice). [-]"""
    feed_comes: Prior = (Shape.UNIFORM, 0.0, 1.0)
    """From an event on the far side is fed where this is over one half (our choice). [-]"""
    new_supply_kg_m2_s: Prior = (Shape.LOG_UNIFORM, 5e-7, 2e-5)
    """Supply to the far side from an event on, as `supply_kg_m2_s` (our choice). [kg/(m² s)]"""


@dataclass(frozen=True)
class PosteriorParameters:
    """Values of `analysis/slabs/posterior`; used as `POSTERIOR.name`."""

    # the slab
    reference_c: float = 20.0
    """Temperature at which pore humidity counts: service temperature in the standards (BS 8203). [°C]"""
    fed_probability: float = 0.35
    """Prior probability that the far side of a slab that dries by one face is fed, or will be within the horizon: 0.21
    from the start (our choice). [-]"""
    supply_horizon_d: float = 90.0
    """Days over which a supply may begin (our choice). [d]"""
    capacity_kg_m3: float = 80.0
    """Water per unit of pore humidity well below saturation; only its ratio to the transfers counts (our choice).
    [kg/m³]"""
    air_slope_per_k: float = 0.0035
    """By which air is brought to the pore humidity at 20 °C that it is in equilibrium with: the middle of 0.2 to
    0.5 %/K for sealed concrete (Bažant and Najjar 1972). [1/K]"""
    slope_pct_k: float = 0.35
    """Mean rise of a sealed sleeve's humidity with temperature (Bažant and Najjar 1972: 0.2 to 0.5). [% RH/K]"""
    slope_sd_pct_k: float = 0.15
    """Its standard deviation, which covers those; integrated out (our choice). [% RH/K]"""
    thickness_per_depth: float = 2.5
    """An unknown thickness is so many times the sleeve's depth: 40 % is the depth of in-situ tests of slabs that dry by
    one face (ASTM F2170). [-]"""
    unknown_depth_mm: float = 40.0
    """Depth of a sleeve where it is not told: 40 % of 100 mm (our choice). [mm]"""

    # the march
    cells: int = 16
    """Cells of a slab: twice as many move the sleeve by less than 0.1 % RH (our choice). [cells]"""
    cell_growth: float = 1.12
    """Each cell is so much thicker than the one over it: humidity bends most at the face (our choice). [-]"""
    picard_passes: int = 2
    """Passes in which a step's coefficients are corrected: with two the water is kept to 1e-4 (our choice). [passes]"""
    min_humidity: float = 0.02
    """Least pore humidity: the diffusivity law means nothing below it (our choice). [-]"""
    half_day_s: float = 43_200.0
    """Length of a step, half a day by definition. [s]"""

    # the record by day
    days_before_sealing: int = 14
    """Days of air before sealing that the slab is marched through: its face follows within that (our choice). [d]"""
    first_after_h: float = 12.0
    """Day means count from so long after sealing: before, the hole tells of its drilling (our choice). [h]"""
    open_before_h: float = 8.0
    """So long before the last jump of a re-opening its readings do not count (our choice). [h]"""
    open_after_h: float = 72.0
    """So long after it they do not count: the clock of a sealed sleeve in UK practice (BS 8203). [h]"""
    open_fall_pct: float = 4.0
    """A fall from one day to the next that no sealed sleeve makes (our choice). [% RH]"""
    min_day_h: int = 12
    """Fewest hours with readings that make a day's mean: half (our choice). [h]"""
    min_air_pct: float = 2.0
    """Readings of the air under it are those of a failed sensor (common practice). [% RH]"""
    max_air_pct: float = 99.5
    """Readings of the air over it are those of a wet sensor (common practice). [% RH]"""
    no_reading_c: float = 18.0
    """Temperature where none was ever read (our choice). [°C]"""
    phases: int = 4
    """Hours of the day at which days may end, one for each location, to spread the work (our choice). [1/d]"""
    phase_h: int = 6
    """Hours between those: the rhythm of goals (our choice). [h]"""

    # errors of a day's mean
    noise_pct: float = 0.08
    """Standard deviation of a day's mean by the probe's noise (our choice). [% RH]"""
    misfit_pct: tuple[float, ...] = (0.12, 0.25, 0.5)
    """Levels of what the model does not tell, weighed by evidence; with one level alone an odd stretch misleads (our
    choice, tuned on simulated jobs). [% RH]"""
    misfit_d: float = 30.0
    """Time over which a misfit dies away (our choice). With 8 days it took the slab's own fall for a misfit that comes
    back. On 32 simulated sleeves 30 days alone left the mean error of the time left at 1.2 of it; with the wide
    `min_share` as well it was 0.6, and on 46 others 0.57 where it had been 1.1. [d]"""
    second_lag_share: float = 0.12
    """A second, slower approach of a sleeve, which drilling leaves, as a share of the first (our choice). [-]"""
    second_lag_d: float = 0.8
    """Its time constant (our choice). [d]"""
    change_pct_k: float = 0.4
    """A sleeve lags its concrete, so a change of temperature from the day before disturbs it (our choice, tuned on
    simulated jobs). [% RH/K]"""
    settled_day: int = 2
    """From the first reading to this counted day is how far a sleeve's air came after sealing (our choice). [d]"""
    product_size: int = 200_000
    """Multiplications in one matrix product: more of them would be given to many threads, which costs a busy machine
    fifty times as much (our choice, measured with OpenBLAS 2024). [multiplications]"""

    # water that comes
    event_scores: int = 4
    """How many of a member's scores, the last, are used from an event on only: a count by definition. [1]"""
    water_rise_pct: float = 1.2
    """A day so much over the members' prediction is water, or nothing that counts (our choice). [% RH]"""
    water_rise_pct_k: float = 0.2
    """On top of it for each kelvin that the temperature has moved (our choice). [% RH/K]"""
    water_before_d: int = 5
    """Counted days before, whose mean error the prediction is corrected by (our choice). [d]"""
    water_gap_d: int = 3
    """Days between those and the day that is judged, for water may come slowly (our choice). [d]"""
    water_after_h: float = 96.0
    """No water is told so soon after sealing, while the sleeve's air still comes (our choice). [h]"""
    water_days: int = 4
    """Days from the event on that do not count: water goes on coming (our choice). [d]"""
    feed_threshold: float = 0.5
    """Over it `feed_comes` is a fed far side: one half by definition. [-]"""

    # the sampler
    members: int = 512
    """Members of an ensemble, a power of two: two of this size differ by a tenth in the time left (our choice).
    [members]"""
    min_ess_share: float = 0.4
    """Effective share of the members under which they are resampled and moved (our choice). [-]"""
    temper_ess_share: float = 0.1
    """Under this share the likelihood is raised in stages (our choice). [-]"""
    moves: int = 4
    """Metropolis steps after each resampling: twice as many halve what two seeds differ by (our choice). [steps]"""
    accepted_share: float = 0.25
    """Share of accepted steps that their length is adapted to: 0.23 in many dimensions (Roberts, Gelman and Gilks
    1997). [-]"""
    first_step: float = 0.5
    """First length of a step, in standard deviations of the population (our choice). [-]"""
    step_log_sd: float = 0.7
    """Steps are of mixed length: standard deviation of its natural logarithm (our choice). [-]"""
    min_step: float = 0.05
    """Least length of a step (our choice). [-]"""
    max_step: float = 2.0
    """Greatest length of a step (our choice). [-]"""
    flip_probability: float = 0.15
    """Probability that a step tries the other far side (our choice). [-]"""
    proposal_floor: float = 1e-4
    """Added to the variance of each score in the proposal, so that it never collapses (our choice). [-]"""
    bisections: int = 30
    """Halvings in the search for a stage (our choice: to 1e-9). [1]"""
    min_stage: float = 1e-4
    """Least stage of the likelihood (our choice). [-]"""

    # the air to come
    air_days: int = 7
    """Days whose air is taken to last (our choice). [d]"""
    min_u_air_pa: float = 15.0
    """Least standard uncertainty of the air to come (our choice). [Pa]"""
    air_jumps: tuple[tuple[int, float], ...] = ((1, 4.0), (2, 3.0), (4, 2.5))
    """Days since a change of the air, and the least change as humidity at the sleeve's temperature (our choice).
    [d, % RH]"""
    jump_before_d: int = 6
    """Days before a change that it is held against (our choice). [d]"""
    jump_errors: float = 3.0
    """How many standard errors a change of the air must be (our choice). [-]"""
    driest_days: int = 3
    """The driest air so far is a mean over so many days (our choice). [d]"""

    # the march over days
    unbudgeted_days: int = 2
    """So many days are always marched, whatever else catches up in a round (our choice). [d]"""
    kept_octaves: int = 4
    """Days of a run are kept about 1, 2, 4, 8 back, so many of them (our choice: 0.4 MB each at 60 days). [1]"""
    checkpoint_days: int = 10
    """So long after the last one a checkpoint is stored even where the members were not moved (our choice). [d]"""

    # the questions
    draws: int = 200
    """Futures that the questions are put to (our choice). [futures]"""
    step_lengths_d: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 256.0, 1024.0)
    """Lengths of the steps into the future: fine where dates are near, then on to the end (our choice). [d]"""
    step_counts: tuple[int, ...] = (7, 7, 7, 8, 6, 4, 3, 2, 2)
    """How many steps of each length (our choice). [steps]"""
    week_d: int = 7
    """Progress is judged over the week to come: the project's definition of a stall. [d]"""
    stall_close_under: float = 0.5
    """Probability of no progress under which a stall is over (our choice). [-]"""
    stall_min_over_share: float = 0.05
    """Where fewer futures are over the goal now, progress is no question (our choice). [-]"""
    stall_end_probability: float = 0.5
    """Probability of ending over the goal, or hardly under it, that is a cause (our choice). [-]"""
    stall_end_margin_pct: float = 1.0
    """What is hardly under it (our choice). [% RH]"""
    wetter_air_pct: float = 6.0
    """Air wetter by so much than in the driest days so far is a cause (our choice). [% RH]"""
    fed_share: float = 0.5
    """Share of fed slabs among the futures without progress from which they are called fed (our choice). [-]"""
    stall_after_h: float = 120.0
    """No stall is told before so long after sealing: five days (our choice). [h]"""
    never_at: float = 0.85
    """Probability from which the goal is held to be out of reach in this air (our choice: on 28 simulated sleeves 0.8
    was right on 92 % of the days it was said on, 0.85 on 97 and 0.9 on 96 %, with 48, 45 and 40 % of the days found).
    [-]"""
    goal_at: float = 0.85
    """Probability from which a goal is held to be met (our choice). [-]"""
    goal_lost_under: float = 0.5
    """Probability under which it is no longer (our choice). [-]"""
    check_stream_s: float = 3.0
    """Added to a day's end it seeds the random numbers of a check that is only thought of (our choice). [s]"""
    gain_min_arriving: float = 0.05
    """Where fewer futures arrive after a check, it gives no date (our choice). [-]"""
    date_low: float = 0.1
    """Low end of a date's interval: a central 80 % (our choice). [-]"""
    date_middle: float = 0.5
    """Its middle: the median by definition. [-]"""
    date_high: float = 0.9
    """Its high end (our choice). [-]"""


SLAB_PRIORS = SlabPriors()
POSTERIOR = PosteriorParameters()
