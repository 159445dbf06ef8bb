"""Damage that the drying itself could do, and what could be done instead: mould, wood, the night ahead, ventilation."""

from __future__ import annotations

from enum import StrEnum

from pydantic import BaseModel, ConfigDict

from monitord.model.facts import Growth, Material, SurfaceKind
from monitord.model.quantity import Quantity
from monitord.model.readings import UtcTime

_FROZEN = ConfigDict(frozen=True, extra="forbid")


class SurfaceSource(StrEnum):
    """Where a surface temperature comes from."""

    CONTACT = "contact sensor"
    FACTOR = "temperature factor"


class NightAhead(BaseModel):
    """How far a cold surface is likely to be from the dew point in the hours to come."""

    model_config = _FROZEN

    made_at: UtcTime
    margin_k: tuple[float, ...]
    """Most likely margin in each hour from `made_at` on: surface temperature minus dew or frost point. [K]"""
    u_k: tuple[float, ...]
    """Standard uncertainty of each. [K]"""
    deepest: Quantity
    """The least margin of these hours. [K] Below 0 it condenses."""
    deepest_at: UtcTime
    """Start of the hour that is most likely the coldest against its dew point."""
    probability: float
    """That the surface comes to the dew point in these hours, 0..1."""
    expected_from: UtcTime | None
    """From when it most likely condenses; None: most likely not."""
    expected_to: UtcTime | None
    """Until when; None: most likely not, or beyond the hours looked at."""
    possibly_from: UtcTime | None = None
    """From when it condenses with at least one chance in four, where that is earlier."""
    hours: int
    """Length of the hours looked at. [h]"""
    cycle_days: int
    """Days whose daily cycle the forecast goes on with."""
    by_outdoor_forecast: bool
    """Whether a forecast of the outdoor air is in it."""


class MouldRisk(BaseModel):
    """The mould index of a surface, and the criteria of standards beside it."""

    model_config = _FROZEN

    at: UtcTime
    surface: SurfaceKind | None
    """Where temperature and humidity were taken: at this surface, or None in the air."""
    surface_source: SurfaceSource | None
    """How the surface's temperature is known."""
    material: Material
    """Class of sensitivity."""
    growth: Growth | None
    """How far the index has come by the limits in use; None: no growth yet."""
    index: float
    """Mould index now, 0 (none) to 6 (covered); 1 is seen with a microscope, 3 with the eye."""
    soon: bool
    """Whether first growth is near enough at the present rate to be told of in days."""
    gaps_count: bool
    """Whether enough hours are unknown for that to be said."""
    low: float
    high: float
    """The index if every reading was one standard uncertainty drier, or wetter."""
    rate_per_day: float | None
    """Change of the index per day over the last week; None: too little is known."""
    days_to_1: float | None
    """Days until the index reaches 1 at the present rate; 0: it has; None: never at this rate, or not known."""
    heading: float | None
    """What alerts are judged by: the index, or 1 where it comes there within the days that the options name.
    None: too little was measured lately."""
    unknown_share: float
    """Share of the hours since the first known one for which nothing is known: held, not counted as dry."""
    week_mean_rh: float | None
    """Mean surface humidity of the last seven days. [%]"""
    early_caution: bool | None
    """That mean has reached 80 % above 5 °C: our choice, the limit of EN ISO 13788 over a shorter time."""
    month_mean_rh: float | None
    """Mean surface humidity of the last calendar month with enough known hours. [%]"""
    month_exceeded: bool | None
    """EN ISO 13788: that mean lies over 80 %."""
    thirty_days_exceeded: bool | None
    """ASHRAE 160: the 30-day mean has reached 80 % while the mean temperature is 5 to 40 °C."""
    level: str
    """`none`, `watch` (caution or heading for 1), `warn` (index 1 or more) or `act` (3 or more)."""


class Warmth(StrEnum):
    """Whether decay of timber could run at a temperature (Wood Handbook ch. 14)."""

    RUNS = "runs"
    SLOW = "slow"
    STOPPED = "stopped"


class CautionKind(StrEnum):
    """Frost, heat, and air that dries surfaces too fast."""

    FROST = "frost"
    HEAT = "heat"
    DRIES_TOO_FAST = "dries_too_fast"


class Caution(BaseModel):
    """One caution beside a location."""

    model_config = _FROZEN

    kind: CautionKind
    value: Quantity
    """Mean temperature [°C], or the moisture content that timber would come to [% of dry mass]."""


class WoodMoisture(BaseModel):
    """What timber beside this air would hold."""

    model_config = _FROZEN

    at: UtcTime
    value: Quantity
    """Equilibrium with the air, lagged as a joist lags it. [% of dry mass]"""
    high: float
    """The same if the timber was at fibre saturation when the record began; with a spot reading, the upper end of what
    it leaves open. [% of dry mass]"""
    equilibrium: float | None
    """In equilibrium with the air of the last day. [% of dry mass]"""
    above_since: UtcTime | None
    """Since when it has been above the caution limit without a break."""
    above: Quantity
    """The caution limit. [% of dry mass]"""
    warmth: Warmth
    """Whether decay could run at the temperature of the last week."""
    spot_at: UtcTime | None
    """The last spot reading that the estimate was set by."""
    spot: Quantity | None = None
    """What it measured. [% of dry mass]"""


class VentilationEffect(StrEnum):
    """What outdoor air would do to a room."""

    DRIES = "dries"
    WETS = "wets"
    NO_CLEAR_DIFFERENCE = "no_clear_difference"
    UNKNOWN = "unknown"


class MeasureKind(StrEnum):
    """What could be done to speed the drying."""

    VENTILATE = "air"
    HEAT = "heat"
    DEHUMIDIFY = "dehumidify"


class MeasureEffect(StrEnum):
    """What a measure does to the vapour-pressure difference that dries."""

    RAISES = "raises"
    LOWERS = "lowers"
    LEAVES = "leaves"


class WetPlaces(StrEnum):
    """What dries into a room, as far as it is known."""

    MONITORED = "monitored"
    """Its monitored locations with a goal that are wetter than its air."""
    ASSUMED = "assumed"
    """Free water at the temperature of its air."""


class Measure(BaseModel):
    """One thing that could be done, and the drying drive it would give by a simple moisture balance."""

    model_config = _FROZEN

    name: MeasureKind
    setting: Quantity
    """How much of it: air changes [1/h], kelvins warmer [K], or the humidity held [% RH]."""
    effect: MeasureEffect
    drive: Quantity
    """Vapour pressure of what dries minus that of the room air, once it has settled. [Pa]"""
    gain: Quantity
    """That drive minus the present one. [Pa]"""

    @property
    def present(self) -> Quantity:
        """The difference as it is now. [Pa]"""
        return Quantity(value=self.drive.value - self.gain.value, unit=self.drive.unit)


class Ventilation(BaseModel):
    """Whether to open the windows of a room, and what else would speed the drying: advice, never an order."""

    model_config = _FROZEN

    room: str
    """Location id of the room air."""
    outdoor: str
    """Location id of the outdoor air."""
    at: UtcTime | None
    """Time of the compared readings."""
    effect: VentilationEffect
    difference: Quantity | None
    """Vapour pressure of the room air minus the outdoor air. [Pa]"""
    water: Quantity | None
    """Water that ventilation carries out at `air_changes_per_h` of `volume_m3`; below 0 it brings water in. [g/h]"""
    air_changes_per_h: float
    volume: Quantity
    """[m³]"""
    day_difference: Quantity | None
    """Mean of the last day. [Pa]"""
    day_share: float | None
    """Share of the known hours of the last day in which the outdoor air was clearly drier, 0..1."""
    day_water: Quantity | None
    """Water that ventilation all the last day would have carried out. [g]"""
    condenses_on: str | None
    """Location id of the cold surface on which the outdoor air would condense more likely than not."""
    condenses_probability: float | None
    """The highest such probability among the surfaces that are known."""
    measures: tuple[Measure, ...] = ()
    """Heating, dehumidifying and ventilation, the greatest gain first; empty where the balance can't be drawn up."""
    dries: WetPlaces | None = None
    """What the balance takes to dry; None without measures."""
    as_good: tuple[MeasureKind, ...] = ()
    """Measures whose gain is not clearly less than that of the first."""
    helps: bool = False
    """Whether the first clearly raises the difference."""
