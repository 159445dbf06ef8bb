"""What a wet building is made of: rooms, slabs, cavities and voids, and what happens to them."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.building.enclosed import Cavity, Void
from simulators.building.events import Event
from simulators.building.materials import Concrete
from simulators.building.room import Room


@dataclass(frozen=True)
class Slab:
    """A slab or screed below a room."""

    id: str
    room: str
    thickness_mm: float
    area_m2: float
    concrete: Concrete = field(default_factory=Concrete)
    humidity: float = 0.97
    """Humidity throughout at the start, 0..1."""
    top_humidity: float | None = None
    """Humidity at the drying face at the start, rising inward over a third; none: as the rest."""
    below: str | None = None
    """Id of the room or void that its underside dries into; none: sealed below."""
    feed_g: float = 0.0
    """Feed from wet ground below. [kg/(m² s Pa)]"""
    feed_humidity: float = 1.0
    face_g: float = 1.2e-8
    """Exchange of vapour between a face and the air. [kg/(m² s Pa)]"""
    ground_share: float = 0.35
    """Its underside's temperature between the room (0) and the ground (1)."""
    leak_depth_share: float = 0.6
    """Where a leak comes into it."""


@dataclass(frozen=True)
class Depth:
    """A depth of a slab that is watched."""

    slab: str
    depth_mm: float


@dataclass(frozen=True)
class Building:
    """All its parts."""

    zone: str
    rooms: tuple[Room, ...]
    slabs: tuple[Slab, ...] = ()
    cavities: tuple[Cavity, ...] = ()
    voids: tuple[Void, ...] = ()
    depths: tuple[Depth, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def nodes(self) -> tuple[Room | Cavity | Void, ...]:
        """All nodes of air, in the order of every array."""
        return (*self.rooms, *self.cavities, *self.voids)

    def node(self, part_id: str) -> int:
        """Place of a room, cavity or void among the nodes."""
        return [part.id for part in self.nodes].index(part_id)
