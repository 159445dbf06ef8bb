"""Every limit and tuning value by which airs are compared, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class AirParameters:
    """Values of `analysis/air`; used as `AIR.name`."""

    # comparison
    pairing_intervals: float = 3.0
    """Two airs are compared on readings at most this many reporting intervals apart, where that is longer than
    `pairing_age_s` of the settings (our choice). [intervals]"""

    # ventilation
    ventilation_day_min_h: int = 6
    """Hours of the last day that must be known to sum up what ventilation would have done (our choice). [h]"""
    closed_changes_per_h: float = 0.1
    """Air change of a room that is shut and tight, where its own is not known (common practice). [1/h]"""
    open_changes_per_h: float = 1.0
    """That of a draughty one, or of one whose door is opened often (common practice). [1/h]"""
    min_dew_rh_pct: float = 1.0
    """Drier outdoor air is taken as this for the uncertainty of its dew point (our choice). [% RH]"""
    min_outdoor_pa: float = 1.0
    """Less vapour outdoors can't condense on anything in a building (our choice). [Pa]"""
    condenses_probability: float = 0.5
    """Probability from which the outdoor air is said to condense on a surface: more likely than not (our choice).
    [-]"""

    # measures: ventilation, heating, dehumidifying
    min_drive_pa: float = 1.0
    """Least vapour-pressure difference from which the moisture balance of a room is derived (our choice). [Pa]"""
    max_heated_c: float = 60.0
    """Highest temperature for which heating is worked out (our choice). [°C]"""
    max_conductance_ratio: float = 50.0
    """Highest ratio of the two conductances that is believed (our choice). [-]"""
    unchanged_pa: float = 0.5
    """Change of the difference under which a measure leaves it as it is: whole pascals are shown (our choice). [Pa]"""

    # moisture source
    source_span_h: int = 72
    """Hours of which the mean is taken: three whole days (our choice). [h]"""
    source_min_h: int = 24
    """Hours of them that must be paired (our choice). [h]"""
    stored_share: float = 0.3
    """Standard uncertainty from stored vapour, as a share of the spread of an air's vapour pressure over the last
    week. Our choice, held against five months in a ventilated brick-clad timber-frame wall, whose air then differs
    clearly from the outdoor air in 1 to 3 of 100 windows, where without it does in half of them. [-]"""
    follows_share: float = 0.6
    """A location holds outdoor air when its hourly differences to it are below this share of those to the room (our
    choice). [-]"""
    alike_h: float = 6.0
    """Hourly differences this close share their error (our choice). [h]"""

    # outdoor forecast
    forecast_u_temperature_k: float = 1.0
    """Standard uncertainty of a forecast temperature a day ahead (from memory: about 1 to 1.5 K). [K]"""
    forecast_u_dew_point_k: float = 1.2
    """The same of the dew point (our choice). [K]"""
    forecast_min_difference_k: float = 2.0
    """Mean difference between room and outdoors from which a temperature factor is derived (our choice). [K]"""
    forecast_min_hours: int = 24
    """Hours from which that factor and the share of outdoor vapour are derived (our choice). [h]"""
    forecast_min_variance_k2: float = 0.25
    """Least mean square by which weather moves a margin, however steady it has been (our choice). [K²]"""
    forecast_beyond: float = 3.0
    """A forecast change whose square is over this many times the usual counts in full (our choice). [-]"""
    unknown_vapour_share: float = 0.5
    """Share of outdoor vapour that shows at a location where nothing is derived: between none and all (our choice).
    [-]"""


AIR = AirParameters()
"""The values in use."""
