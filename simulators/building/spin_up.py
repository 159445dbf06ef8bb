"""The state in which a building begins, and the parts of its air as the network of air takes them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulators.building.air import AirParts, AirState, Forcing, Ledger
from simulators.building.enclosed import Cavity, Lining, Timber, Void
from simulators.building.materials import lining_table, timber_table
from simulators.building.room import Room
from simulators.building.slab import Slabs, SlabShape
from simulators.building.structure import Building

Array = NDArray[np.float64]

_NONE = Timber(dry_kg=1e-3, start_pct=10.0)
_LEAF_G = 2.5e-8
"""Exchange of vapour with a surface, about that of heat in still air (Lewis). [kg/(m² s Pa)]"""


def air_parts(b: Building, f: Forcing, air_c: Array) -> AirParts:
    """What belongs to each node of air."""
    linings = [_lining(part) for part in b.nodes]
    timbers = [part.timber if not isinstance(part, Room) else _NONE for part in b.nodes]
    mean_c = air_c.mean(axis=0)
    mean_capacity = f.capacity.mean(axis=0)
    mean_saturation = f.saturation.mean(axis=0)
    skin = np.array([t.dry_kg * t.skin_share for t in timbers])
    between, neighbour, leaf = [], [], []
    for k, part in enumerate(b.nodes):
        leaf.append(_LEAF_G * (part.window_m2 if isinstance(part, Room) else part.leaf_m2))
        changes = 0.0 if isinstance(part, Room) else part.room_changes_h
        between.append(changes / 3600.0 * mean_capacity[k])
        neighbour.append(-1 if isinstance(part, Room) else b.node(part.room))
    machines = [part.machine if isinstance(part, Room) else None for part in b.nodes]
    return AirParts(
        lining_full=np.array([x.area_m2 * x.full_kg_m2 for x in linings]),
        lining_g=np.array([x.area_m2 * x.g for x in linings]),
        lining_tables=tuple(lining_table(x.knee) for x in linings),
        deep_g=np.array([x.area_m2 * x.deep_g for x in linings]),
        skin_kg=skin,
        core_kg=np.array([t.dry_kg * (1 - t.skin_share) for t in timbers]),
        core_lag_s=np.array([t.lag_days * 86_400.0 for t in timbers]),
        timber_g=skin * 0.4 / (mean_saturation * np.array([t.skin_lag_h * 3600.0 for t in timbers])),
        timber_tables=tuple(timber_table(float(np.clip(5.0 * round(c / 5.0), -10, 35))) for c in mean_c),
        leaf_g=np.array(leaf),
        between=np.array(between),
        neighbour=np.array(neighbour, dtype=np.intp),
        tank_kg=np.array([m.tank_kg if m is not None and m.tank_kg is not None else np.inf for m in machines]),
        humidistat=np.array([(m.humidistat_pct or 0.0) / 100.0 if m is not None else 0.0 for m in machines]),
    )


def first_air(b: Building, f: Forcing) -> AirState:
    """The water in the air and its things at the start."""
    linings = [_lining(part) for part in b.nodes]
    timbers = [part.timber if not isinstance(part, Room) else _NONE for part in b.nodes]
    full = np.array([x.area_m2 * x.full_kg_m2 for x in linings])
    share = np.array([x.share for x in linings])
    zeros = np.zeros(len(linings))
    start = np.array([t.start_pct for t in timbers])
    return AirState(
        vapour=0.5 * f.saturation[0] * f.capacity[0] + 0.5 * f.outdoor_pa[0] * f.capacity[0],
        liquid=zeros.copy(),
        lining=full * share,
        skin_pct=start.copy(),
        core_pct=start.copy(),
        tank=zeros.copy(),
        resting=zeros.copy(),
        ledger=Ledger(*(zeros.copy() for _ in range(5))),
    )


def first_slabs(b: Building) -> Slabs:
    """The slabs with their first profiles."""
    slabs = Slabs([SlabShape(s.thickness_mm / 1000.0, s.concrete, s.below is not None) for s in b.slabs])
    for k, slab in enumerate(b.slabs):
        profile = np.full(slabs.cells, slab.humidity)
        if slab.top_humidity is not None:
            inward = np.clip(slabs.depth[k] / (slab.thickness_mm / 3000.0), 0.0, 1.0)
            profile = slab.top_humidity + (slab.humidity - slab.top_humidity) * inward
        slabs.set_humidity(k, profile)
    return slabs


def _lining(part: Room | Cavity | Void) -> Lining:
    if isinstance(part, Room):
        share = float(lining_table(part.lining_knee).content(part.lining_humidity))
        return Lining(part.lining_m2, part.lining_kg_m2, share, part.lining_knee, part.lining_g)
    return part.lining if isinstance(part, Cavity) else part.ground
