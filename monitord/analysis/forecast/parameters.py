"""Every limit and tuning value of forecasts, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class ForecastParameters:
    """Values of `analysis/forecast`; used as `FORECAST.name`. What differs by metric stands by the metric's unit."""

    # response to the air: the past
    span_h: int = 12
    """Averaging span of the means that are fitted: half days, which keep a daily cycle apart (our choice). [h]"""
    span_min_h: int = 4
    """Hours that such a mean needs (our choice). [h]"""
    min_spans: int = 4
    """Means that a fit needs: two days (our choice). [spans]"""
    fitted_spans: int = 40
    """Newest means that the response is fitted to: twenty days (our choice). [spans]"""
    step_sd: dict[str, float] = field(default_factory=lambda: {"% RH": 4.0, "Pa": 60.0, "% MC": 1.5})
    """Usual deviation at the start of the fit from what the air would bring (our choice). [unit of the metric]"""
    noise_sd: dict[str, float] = field(default_factory=lambda: {"% RH": 1.2, "Pa": 40.0, "% MC": 0.4})
    """Of a half day's mean about the course: probe and model error together (our choice). [unit of the metric]"""
    offset_sd: dict[str, float] = field(default_factory=lambda: {"% RH": 8.0, "Pa": 25.0, "% MC": 2.0})
    """How far a location is off what its air would bring, by sources of its own (our choice). [unit of the metric]"""
    outdoor_share: tuple[float, float] = (0.15, 0.2)
    """Share of the outdoor air in what a location is heading for, before its readings tell: mean and standard deviation
    (our choice). [-]"""
    void_outdoor_share: tuple[float, float] = (0.6, 0.3)
    """The same of a sub-floor void (our choice). [-]"""
    tau_median_d: float = 6.0
    """Usual time constant of a cavity or void, before its readings tell (our choice). [days]"""
    tau_log_sd: float = 0.9
    """Standard deviation of its logarithm: a factor of 2.5 either way (our choice). [-]"""
    tau_range_d: tuple[float, float] = (0.5, 80.0)
    """Time constants between which the fit looks: from a half day's mean to far beyond the record (our choice).
    [days]"""
    tau_cells: int = 20
    """Time constants in that range (our choice). [cells]"""
    share_cells: int = 7
    """Shares of the outdoor air from 0 to 1 (our choice). [cells]"""
    min_weight: float = 1e-3
    """Cells with less than this share of the likeliest one's weight are left out (our choice). [-]"""

    # response to the air: the days to come
    end_sd: dict[str, float] = field(default_factory=lambda: {"% RH": 1.0, "Pa": 15.0, "% MC": 0.3})
    """The air of the days to come is not that of today: this at least, and a share of how it wandered lately (our
    choice). [unit of the metric]"""
    unseen_sd: dict[str, float] = field(default_factory=lambda: {"% RH": 20.0, "Pa": 200.0, "% MC": 5.0})
    """Largest addition to that for a void whose outdoor air nobody measures: until it is near its room, the room alone
    does not tell what it is heading for (our choice). [unit of the metric]"""
    present_days: int = 3
    """Days whose mean is where an air leads now, and the driest of which it may come to again (our choice). [days]"""
    wander_share: float = 0.7
    """Share of the scatter of an air's days that is left in the mean of the days to come (our choice). [-]"""
    trend_days: int = 10
    """Days that an air's trend is taken from (our choice). [days]"""
    air_trend_min_days: int = 5
    """Days that such a trend needs (our choice). [days]"""
    trend_ahead_d: float = 5.0
    """How many days of that trend lie ahead: a room that dries goes on drying, ever more slowly (our choice). [days]"""
    weather_days: int = 30
    """A month of this season: what its weather did it may do again (our choice). [days]"""
    week_from_days: int = 10
    """Days whose mean foretells the air of the coming week: of 3 to 14 the best on 30 simulated jobs (our choice).
    [days]"""
    air_changed_sd: float = 2.0
    """The air has changed where its last days lie off the ten by so many times what weeks differed by (our choice).
    [-]"""
    week_records: int = 10
    """Half days of a month at which such a foretelling must have been tried before its error counts as known; until
    then it is taken from the scatter of the air (our choice). [half days]"""
    first_passage: float = 0.8
    """First-passage correction: a mean with standard deviation s crosses its limit about 0.8 s early (our choice).
    [-]"""

    # timber
    even_step: float = 0.6180339887
    """Fraction of the golden ratio: its multiples, less whole parts, fill 0 to 1 evenly (Weyl 1916). [-]"""
    min_to_come: float = 0.02
    """Share of the draws of timber that must be still to come for a date of those alone (our choice). [-]"""
    start_over_pct: float = 3.0
    """Least excess of timber over its goal at the start: it has a goal because it is wet (our choice).
    [% of dry mass]"""
    start_most_pct: float = 34.0
    """... and greatest, with equal probability between: soaked timber lies a little over fibre saturation (our choice).
    [% of dry mass]"""
    tau_apart_d: float = 0.05
    """Time constants of timber and air closer than this are put twice as far apart, for the closed form divides by
    their difference (our choice). [days]"""
    course_daily_d: float = 15.0
    """Timber is computed day by day up to this time, then in geometric steps (our choice). [days]"""
    course_end_d: float = 370.0
    """... to here, a little beyond the horizon (our choice). [days]"""
    course_points: int = 50
    """Number of these steps (our choice). [steps]"""
    course_draws: int = 256
    """Draws whose courses are computed at once, as many as the processor's cache holds (our choice). [draws]"""

    # the date
    never_probability: float = 0.9
    """Probability from which the goal is said not to be reached in this air; under it a date is given, high end open
    (our choice). [-]"""
    never_first_days: float = 5.0
    """Days since the first reading before it is said: fewer show neither the air nor the location as they are (our
    choice: on days 2 to 4 none of 16 such claims was right, on 18 simulated jobs). [days]"""
    tail: float = 0.1
    """Probability beyond either end of the interval, a central 80 % (our choice). [-]"""
    pace_share: float = 0.3
    """Weight of a cavity or void that keeps its pace beside one that slows as it nears its air: wet material gives off
    at a steady pace first (our choice). [-]"""
    pace_draws: int = 12
    """Draws of it (our choice). [draws]"""
    pace_se: float = 1.2
    """Standard deviation of the pace, in standard errors of the rate (our choice). [standard errors]"""

    # a date that moves away
    slip_window_d: float = 14.0
    """Older forecasts no longer count: a fortnight outlasts the weather of a week (our choice). [days]"""
    slip_min_span_d: float = 7.0
    """Forecasts a week or more apart are needed before anything is said (our choice). [days]"""
    slip_min_days: int = 6
    """... and made on at least this number of days (our choice). [days]"""
    slip_parts: int = 3
    """Number of parts of the window, of which the first and the last are compared (our choice). [-]"""
    slip_later_share: float = 0.6
    """Share of the steps from day to day that must lead to a later date; else it wanders and does not slip (our
    choice). [-]"""
    slip_min_to_go_d: float = 5.0
    """Nearer its goal than this, the date depends on the probe's accuracy and moves along day by day (our choice).
    [days]"""
    slip_stale_d: float = 1.0
    """Without a forecast for this long nothing is known of it (our choice). [days]"""


FORECAST = ForecastParameters()
"""The values in use."""
