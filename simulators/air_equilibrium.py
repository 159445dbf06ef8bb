"""What a location would come to in the present air: the end that its drying heads for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitord.physics.moist_air import saturation_vapour_pressure
from simulators.enclosed import Cavity, Void
from simulators.materials import diffusivity_temperature_factor, timber_equilibrium
from simulators.slab import Slabs, SlabShape
from simulators.structure import Building, Slab

Array = NDArray[np.float64]


def _psat(temperature_c: Array) -> Array:
    return np.asarray(saturation_vapour_pressure(temperature_c, "water"))


def enclosed_pressure(
    part: Cavity | Void,
    room_pa: Array,
    outdoor_pa: Array,
    ground_c: Array,
    share: Array,
) -> Array:
    """Vapour pressure that a cavity or void comes to once its own wet things are dry. [Pa]

    Parameters
    ----------
    share : what is left of the air change that can be shut, 0..1.
    """
    per_change = part.volume_m3 / 3600.0 / (461.5 * 285.0)
    inward = part.room_changes_h * per_change * (share if isinstance(part, Cavity) else 1.0)
    outward = part.outdoor_changes_h * per_change * (share if isinstance(part, Void) else 1.0)
    wet, from_ground = 0.0, np.zeros_like(room_pa)
    if isinstance(part, Void) and part.ground.deep_g > 0:
        skin, deep = part.ground.g * part.ground.area_m2, part.ground.deep_g * part.ground.area_m2
        wet = skin * deep / (skin + deep)
        from_ground = wet * _psat(ground_c)
    total = inward + outward + wet
    return np.asarray((inward * room_pa + outward * outdoor_pa + from_ground) / np.maximum(total, 1e-30))


def timber_end(pressure_pa: Array, temperature_c: Array) -> Array:
    """Wood moisture content in equilibrium with air. [% of dry mass]"""
    h = np.clip(pressure_pa / _psat(temperature_c), 0.02, 0.985)
    return timber_equilibrium(h, temperature_c)


def concrete_end(
    slab: Slab, depth_mm: float, room_pa: Array, surface_c: Array, depth_c: Array, feed_pa: Array
) -> Array:
    """Humidity that the concrete at a depth comes to, at its own temperature. [%]

    Dry below: that of the room's vapour. With a feed from below: a steady flux through the slab; water content is
    found from Kirchhoff's integral of the diffusivity, which is straight in depth, and the flux by bisection.
    """
    at_depth = room_pa / _psat(depth_c)
    if slab.feed_g <= 0.0:
        return np.asarray(100.0 * np.minimum(at_depth, 1.0))
    table = Slabs([SlabShape(slab.thickness_mm / 1000.0, slab.concrete)]).tables[0]
    content = np.linspace(0.0, table.full, len(table.humidity))
    d = slab.concrete.diffusivity(table.humidity)
    integral = np.append(0.0, np.cumsum(0.5 * (d[1:] + d[:-1]) * np.diff(content)))
    warm = diffusivity_temperature_factor(depth_c)
    surface_psat = _psat(surface_c)
    low, high = np.zeros_like(room_pa), np.full_like(room_pa, slab.feed_g * 3000.0)

    def along(flux: Array, share: float) -> Array:
        top_h = np.minimum((room_pa + flux / slab.face_g) / surface_psat, 1.0)
        start = np.interp(np.interp(top_h, table.humidity, content), content, integral)
        inner = start + flux * share * slab.thickness_mm / 1000.0 / warm
        return np.asarray(np.interp(np.interp(inner, integral, content), content, table.humidity))

    for _ in range(40):
        flux = 0.5 * (low + high)
        supply = slab.feed_g * (feed_pa - along(flux, 1.0) * surface_psat)
        more = supply > flux
        low, high = np.where(more, flux, low), np.where(more, high, flux)
    return np.asarray(100.0 * along(0.5 * (low + high), depth_mm / slab.thickness_mm))


def part_of(building: Building, part_id: str) -> Cavity | Void:
    """A cavity or void by its id."""
    enclosed: list[Cavity | Void] = [*building.cavities, *building.voids]
    return next(x for x in enclosed if x.id == part_id)
