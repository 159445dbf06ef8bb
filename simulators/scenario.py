"""A job before it is simulated: the building, where probes are, what happens, what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from simulators.building.climate import Climate, Spell
from simulators.building.enclosed import Cavity, Void
from simulators.building.events import Event
from simulators.building.room import Room
from simulators.building.structure import Building, Depth, Slab
from simulators.probes.faults import Fault
from simulators.probes.gateway import Link, Outage
from simulators.probes.measuring import Probe, ProbePlacement
from simulators.probes.sleeves import Sleeve

DAY_S = 86_400.0
HOUR_S = 3600.0
STEP_S = 600.0
SPIN_UP_S = 5 * DAY_S
"""How long the building is simulated before the job starts."""

EQUILIBRIUM_RH = "equilibrium_rh_pct"
RH = "rh_pct"
VP_EXCESS = "vp_excess_pa"
TIMBER_MC = "timber_mc_pct"


@dataclass(frozen=True)
class GoalRequest:
    """How the limit of a goal is to be chosen once the building's course is known."""

    metric: str
    window_h: float = 24.0
    how: str = "reach"
    """`reach`: what the metric comes to at `share` of the job; `fixed`: `limit`; `below_end`: `share` under the
    least that the metric comes to in the job (or its equilibrium with the air, if that is lower)."""
    share: float = 0.6
    limit: float = 0.0


@dataclass
class Location:
    """A place that is measured."""

    id: str
    name: str
    kind: str
    part: str
    """Id of the room, cavity, void or sleeve; `outdoor`."""
    reference: str | None = None
    f_rsi: float | None = None
    sleeve: Sleeve | None = None
    surface_sensor: bool = False
    wish: GoalRequest | None = None
    goal: dict[str, object] | None = None


@dataclass
class Scenario:
    """All of a job."""

    family: str
    seed: int
    climate: Climate
    zone: str
    elevation_m: float
    start_s: float
    end_s: float
    rooms: list[Room] = field(default_factory=list)
    slabs: list[Slab] = field(default_factory=list)
    cavities: list[Cavity] = field(default_factory=list)
    voids: list[Void] = field(default_factory=list)
    locations: list[Location] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    spells: list[Spell] = field(default_factory=list)
    probes: list[Probe] = field(default_factory=list)
    placements: list[ProbePlacement] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)
    link: Link = field(default_factory=Link)

    @property
    def length_s(self) -> float:
        """Length of the job. [s]"""
        return self.end_s - self.start_s

    @property
    def sleeves(self) -> list[Location]:
        """The locations that are sleeves, in order."""
        return [location for location in self.locations if location.sleeve is not None]

    def match_factors(self) -> None:
        """Give each location that tells a temperature factor the one of its part."""
        parts: list[Room | Cavity | Void] = [*self.rooms, *self.cavities, *self.voids]
        factors = {part.id: part.f_rsi for part in parts}
        for location in self.locations:
            if location.f_rsi is not None:
                location.f_rsi = factors[location.part]

    def building(self, without: frozenset[str] = frozenset()) -> Building:
        """The building; `without`: kinds of event that are left out, to see what they did."""
        return Building(
            zone=self.zone,
            rooms=tuple(self.rooms),
            slabs=tuple(self.slabs),
            cavities=tuple(self.cavities),
            voids=tuple(self.voids),
            depths=tuple(Depth(p.sleeve.slab, p.sleeve.depth_mm) for p in self.sleeves if p.sleeve is not None),
            events=tuple(e for e in self.events if e.kind not in without),
        )

    def moment(self, rng: np.random.Generator, low: float, high: float) -> float:
        """A time between two shares of the job, on the ten-minute grid."""
        return self.start_s + STEP_S * round(float(rng.uniform(low, high)) * self.length_s / STEP_S)

    def room_of(self, location: Location) -> str | None:
        """Id of the room beside a location."""
        if location.kind in ("room_air", "surface"):
            return location.part
        if location.sleeve is not None:
            return next(s.room for s in self.slabs if s.id == location.sleeve.slab)
        enclosed: list[Cavity | Void] = [*self.cavities, *self.voids]
        return next((x.room for x in enclosed if x.id == location.part), None)
