"""Jobs, locations, probes, placements and goals: what a practitioner sets up on site.

`JobFile` is the one schema of a job, as a file (TOML or JSON) and in the store. Each entry of `probes` is a
*placement*: one probe at one location from one time to another; a probe that is moved has one entry for each placement.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from monitord.model.explain import MistakesError
from monitord.model.job_files.consistency import mistakes_between
from monitord.model.readiness.slabs import Slab
from monitord.model.readings import Finite, Identifier, UtcTime
from monitord.model.site.checks import ProbeCheck
from monitord.model.site.equipment import Equipment
from monitord.model.site.plan import Plan
from monitord.model.site.spots import Spot, SpotGoal, SpotResult, assess_spots


class LocationKind(StrEnum):
    """What kind of location is measured."""

    ROOM_AIR = "room_air"
    OUTDOOR_AIR = "outdoor_air"
    CAVITY = "cavity"
    SUBFLOOR_VOID = "subfloor_void"
    SLAB_SLEEVE = "slab_sleeve"
    SURFACE = "surface"
    MATERIAL = "material"


AIR_KINDS = frozenset({LocationKind.ROOM_AIR, LocationKind.OUTDOOR_AIR})
VOID_KINDS = frozenset({LocationKind.CAVITY, LocationKind.SUBFLOOR_VOID})


class GoalMetric(StrEnum):
    """What ends the drying of a location."""

    EQUILIBRIUM_RH = "equilibrium_rh_pct"
    RH = "rh_pct"
    VAPOUR_PRESSURE_EXCESS = "vp_excess_pa"
    TIMBER_MOISTURE = "timber_mc_pct"
    RH_OVER_CONTROL = "rh_over_control_pct"
    TIMBER_OVER_CONTROL = "timber_over_control_pct"


OVER_CONTROL = {
    GoalMetric.RH_OVER_CONTROL: GoalMetric.RH,
    GoalMetric.TIMBER_OVER_CONTROL: GoalMetric.TIMBER_MOISTURE,
}
"""Goals as a distance from a control reading, a like location that stayed dry, and what is read at both."""


class MouldSensitivity(StrEnum):
    """Material classes of the VTT mould model."""

    VERY_SENSITIVE = "very_sensitive"
    SENSITIVE = "sensitive"
    MEDIUM_RESISTANT = "medium_resistant"
    RESISTANT = "resistant"


class HumidityOver(StrEnum):
    """What a probe's relative humidity refers to below 0 °C."""

    WATER = "water"
    ICE = "ice"


_STRICT = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, use_attribute_docstrings=True)


class Goal(BaseModel):
    """Met when the mean of the metric over the last `window_h` hours is at or under `limit`."""

    model_config = _STRICT

    metric: GoalMetric
    """What is held against the limit."""
    limit: Finite
    """In the metric's unit: % RH, Pa, or % of dry mass."""
    window_h: Annotated[float, Field(gt=0, le=24 * 60)] = 24.0
    """The mean over this time counts. [h]"""
    control: Identifier | None = None
    """Metrics over a control: the location of the control reading, a like location that stayed dry."""

    @property
    def needs_reference(self) -> bool:
        """Whether it is a difference from another air."""
        return self.metric is GoalMetric.VAPOUR_PRESSURE_EXCESS

    @model_validator(mode="after")
    def _controlled(self) -> Self:
        if (self.metric in OVER_CONTROL) != (self.control is not None):
            need = "needs a control; name the location" if self.control is None else "takes no control; leave it out"
            raise ValueError(f"a {self.metric.value} goal {need}")
        return self


class Location(BaseModel):
    """A location that is measured."""

    model_config = _STRICT

    id: Identifier
    """Id of the location; no spaces and none of `/ + #`, so that it can stand in a topic."""
    name: str = ""
    """What people call it."""
    kind: LocationKind
    """What kind of location it is."""
    depth_mm: Annotated[float, Field(gt=0)] | None = None
    """Sleeves: depth of the sleeve below the drying face. [mm]"""
    slab_thickness_mm: Annotated[float, Field(gt=0)] | None = None
    """Sleeves: thickness of the slab. [mm]"""
    drying_sides: Literal[1, 2] | None = None
    """Sleeves: from how many faces the slab dries."""
    f_rsi: Annotated[float, Field(gt=0, le=1)] | None = None
    """Temperature factor of the coldest surface there (EN ISO 13788). [-]"""
    installed_at: UtcTime | None = None
    """Sleeves: hole made and probe inserted."""
    sealed_at: UtcTime | None = None
    """Sleeves: sealed from the room air."""
    goal: Goal | None = None
    """What ends the drying here; none: it is watched only."""
    spot_goal: SpotGoal | None = None
    """What ends the drying here by spot readings, such as a meter's scale against a control; beside `goal`, which the
    probe is judged by."""
    reference: Identifier | None = None
    """The location whose air this one is compared with, usually its room."""
    volume_m3: Annotated[float, Field(gt=0, le=100_000)] | None = None
    """Room air: volume of the room, to work out the water that its air change carries out; none: it is not. [m³]"""
    air_changes_per_h: Annotated[float, Field(gt=0, le=50)] | None = None
    """Room air: its air change, where that was measured or is known well; none: a wide range is taken. [1/h]"""
    mould_sensitivity: MouldSensitivity | None = None
    """Material class of the surface for the mould index; none: the most careful class."""

    @property
    def label(self) -> str:
        """The name people gave it, or its id."""
        return self.name or self.id

    @property
    def is_room(self) -> bool:
        """Whether it is the air of a room."""
        return self.kind is LocationKind.ROOM_AIR

    @property
    def is_outdoors(self) -> bool:
        """Whether it is the outdoor air."""
        return self.kind is LocationKind.OUTDOOR_AIR

    @property
    def is_in_slab(self) -> bool:
        """Whether it can be a position of a slab: a sleeve, or a surface under a sealed box."""
        return self.kind in (LocationKind.SLAB_SLEEVE, LocationKind.SURFACE)

    @model_validator(mode="after")
    def _depth_within_slab(self) -> Self:
        if self.depth_mm is not None and self.kind is not LocationKind.SLAB_SLEEVE:
            raise ValueError(f"depth_mm belongs to slab sleeves, not to {self.kind}; remove it")
        if self.depth_mm and self.slab_thickness_mm and self.depth_mm >= self.slab_thickness_mm:
            raise ValueError(
                f"depth_mm {self.depth_mm:g} is not less than slab_thickness_mm {self.slab_thickness_mm:g}; "
                "measure both from the drying face and correct them"
            )
        for name in ("volume_m3", "air_changes_per_h"):
            if getattr(self, name) is not None and self.kind is not LocationKind.ROOM_AIR:
                raise ValueError(f"{name} belongs to room air, not to {self.kind}; remove it")
        if self.installed_at and self.sealed_at and self.sealed_at < self.installed_at:
            raise ValueError("sealed_at is before installed_at; a sleeve is sealed after the hole is made")
        return self


class Accuracy(BaseModel):
    """The maker's ± limits, taken as rectangular (JCGM 100:2008, 4.3.7)."""

    model_config = _STRICT

    temperature_c: Annotated[float, Field(gt=0, le=5)] = 0.3
    """± limit. [K]"""
    relative_humidity_pct: Annotated[float, Field(gt=0, le=20)] = 2.0
    """± limit. [% RH]"""


class Placement(BaseModel):
    """One placement: a probe at a location from one time to another."""

    model_config = _STRICT

    probe: Identifier = Field(alias="id")
    """Id of the probe, as in its readings; no spaces and none of `/ + #`."""
    location_id: Identifier
    """Where it is."""
    from_time: UtcTime = Field(alias="from")
    """Start of the placement, with an offset such as Z."""
    to_time: UtcTime | None = Field(default=None, alias="to")
    """None: it is still there."""
    accuracy: Accuracy = Accuracy()
    """The maker's ± limits."""
    interval_s: Annotated[float, Field(gt=0, le=86_400)] = 600.0
    """Nominal reporting interval. [s]"""
    humidity_over: HumidityOver = HumidityOver.WATER
    """What its relative humidity refers to below 0 °C."""
    calibrated_at: UtcTime | None = None
    """Its last calibration or check before the placement, as on its certificate; none: not known. Later checks that are
    among the calibrations count as well."""

    @model_validator(mode="after")
    def _order(self) -> Self:
        if self.to_time is not None and self.to_time <= self.from_time:
            raise ValueError(f"the placement of probe {self.probe!r} ends before it begins; correct `from` or `to`")
        return self

    def covers(self, time: datetime) -> bool:
        """Whether a reading stamped `time` belongs to this placement: from <= time < to."""
        return self.from_time <= time and (self.to_time is None or time < self.to_time)


class Calibration(BaseModel):
    """Corrections of a probe found by a check, applied on the way out to readings stamped from `at` on."""

    model_config = _STRICT

    probe: Identifier
    """Id of the probe."""
    at: UtcTime
    """Readings stamped from then on are corrected."""
    temperature_correction_c: Finite = 0.0
    """Added to the raw value. [K]"""
    relative_humidity_correction_pct: Finite = 0.0
    """Added to the raw value. [%]"""
    accuracy: Accuracy | None = None
    """What holds after the check; none: the placement's."""
    method: str = ""
    """How it was checked, such as a saturated salt."""
    by: str = ""
    """Who checked it."""


def known_zone(name: str) -> str:
    """The name itself, if it is an IANA time zone.

    Raises
    ------
    ValueError : it is not.
    """
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is not an IANA time zone; write one such as Europe/Helsinki") from None
    return name


class JobFile(BaseModel):
    """One building, or part of it, being dried."""

    model_config = _STRICT

    format: Literal[1] = 1
    """Version of this format."""
    job: Identifier
    """Id of the job; no spaces and none of `/ + #`."""
    name: str = ""
    """What people call it."""
    timezone: Annotated[str, AfterValidator(known_zone)] = "UTC"
    """IANA time zone of the site."""
    elevation_m: Annotated[float, Field(ge=-450, le=5000)] = 0.0
    """Height above sea level. [m]"""
    start: UtcTime
    """Start of the job, with an offset such as Z."""
    end: UtcTime | None = None
    """End of the job; none: it goes on."""
    locations: tuple[Location, ...] = ()
    """The locations that are measured."""
    probes: tuple[Placement, ...] = ()
    """The placements: one entry for each probe at each location it has been."""
    calibrations: tuple[Calibration, ...] = ()
    """Corrections found by checks."""
    calibration_valid_d: Annotated[float, Field(gt=0, le=3660)] | None = None
    """How long a probe's check is good for here; none: as the settings say (`analysis.calibration_valid_d`). [d]"""
    checks: tuple[ProbeCheck, ...] = ()
    """Checks of probes: what lay in a box, and when. What was found and recorded is among the calibrations."""
    spots: tuple[Spot, ...] = ()
    """What was measured by hand."""
    equipment: tuple[Equipment, ...] = ()
    """Dehumidifiers, air movers and heaters: one entry for each at each location it has been."""
    slabs: tuple[Slab, ...] = ()
    """Slabs and screeds that are to take a covering: of each the job asks whether it is ready."""

    plan: Plan | None = None
    """A photo or drawing of the building, and where on it the locations are."""

    @property
    def label(self) -> str:
        """The name people gave it, or its id."""
        return self.name or self.job

    @property
    def zone(self) -> ZoneInfo:
        """The time zone of the site."""
        return ZoneInfo(self.timezone)

    def location(self, location_id: str) -> Location:
        """The location with that id.

        Raises
        ------
        KeyError : no such location.
        """
        for location in self.locations:
            if location.id == location_id:
                return location
        raise KeyError(location_id)

    def placements_at(self, location_id: str) -> tuple[Placement, ...]:
        """The placements at a location, in order of time."""
        return tuple(
            sorted((p for p in self.probes if p.location_id == location_id), key=lambda p: (p.from_time, p.probe))
        )

    def spots_at(self, location_id: str) -> tuple[Spot, ...]:
        """The spot readings at a location, in order of time."""
        return tuple(sorted((s for s in self.spots if s.location_id == location_id), key=lambda s: s.at))

    def equipment_at(self, location_id: str) -> tuple[Equipment, ...]:
        """The equipment at a location, in order of time."""
        return tuple(
            sorted((e for e in self.equipment if e.location_id == location_id), key=lambda e: (e.from_time, e.id))
        )

    def spots_against_goal(self, location: Location, as_of: datetime) -> SpotResult | None:
        """The newest spot reading at a location against its goal for them; None where it has none."""
        goal = location.spot_goal
        if goal is None:
            return None
        control = () if goal.control is None else self.spots_at(goal.control)
        return assess_spots(goal, self.spots_at(location.id), control, as_of)

    def awaits_spot_reading(self, location: Location, as_of: datetime) -> bool:
        """Whether a location has a goal for spot readings that none is known to meet yet."""
        found = self.spots_against_goal(location, as_of)
        return found is not None and found.met is not True

    def checked_at(self, placement: Placement, as_of: datetime) -> datetime | None:
        """When the probe of a placement was last checked before a time, as far as this file tells."""
        checks = [check.at for check in self.calibrations if check.probe == placement.probe]
        known = [at for at in (placement.calibrated_at, *checks) if at is not None and at <= as_of]
        return max(known, default=None)

    def outdoor(self) -> Location | None:
        """The first outdoor-air location, if any."""
        return next((location for location in self.locations if location.is_outdoors), None)

    def room_of(self, location: Location) -> Location | None:
        """The room air beside a location: its reference if that is a room, else the job's only room."""
        if location.kind in AIR_KINDS:
            return None
        if location.reference is not None:
            reference = self.location(location.reference)
            if reference.is_room:
                return reference
        rooms = [location for location in self.locations if location.is_room]
        return rooms[0] if len(rooms) == 1 else None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        mistakes = mistakes_between(self, {location.id for location in self.locations})
        if mistakes:
            raise MistakesError(mistakes)
        return self
