"""What a location would come to in the present air: the end that its drying heads for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitord.physics.moist_air import saturation_vapour_pressure
from simulators.building.enclosed import Cavity, Void
from simulators.building.materials import (
    diffusivity_temperature_factor,
    humidity_at_service,
    humidity_at_temperature,
    timber_equilibrium,
)
from simulators.building.structure import Building, Slab

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


@dataclass(frozen=True)
class SlabWarmth:
    """Temperatures of a slab where they matter, for each hour. [°C]"""

    top_c: Array
    depth_c: Array
    bottom_c: Array


def concrete_end(slab: Slab, depth_mm: float, room_pa: Array, warm: SlabWarmth, feed_pa: Array) -> Array:
    """Humidity that the concrete at a depth comes to, at its own temperature. [%]

    Dry below: the water content at which the top face is in equilibrium with the room's vapour, throughout. With a
    feed from below: a steady flux through the slab; water content is found from Kirchhoff's integral of the
    diffusivity, which is straight in depth, and the flux by bisection.
    """
    table = slab.concrete.table()
    content = np.linspace(0.0, table.full, len(table.humidity))
    d = slab.concrete.diffusivity(table.humidity)
    integral = np.append(0.0, np.cumsum(0.5 * (d[1:] + d[:-1]) * np.diff(content)))
    factor = diffusivity_temperature_factor(warm.depth_c, slab.concrete.activation_k)
    top_psat, bottom_psat = _psat(warm.top_c), _psat(warm.bottom_c)

    def along(flux: Array, share: float) -> Array:
        """Humidity at 20 °C at a share of the thickness, under a steady flux. [0..1]"""
        top = humidity_at_service(np.minimum((room_pa + flux / slab.face_g) / top_psat, 1.0), warm.top_c)
        start = np.interp(np.interp(top, table.humidity, content), content, integral)
        inner = start + flux * share * slab.thickness_mm / 1000.0 / factor
        return np.asarray(np.interp(np.interp(inner, integral, content), content, table.humidity))

    low, high = np.zeros_like(room_pa), np.full_like(room_pa, slab.feed_g * 3000.0)
    for _ in range(40 if slab.feed_g > 0.0 else 0):
        flux = 0.5 * (low + high)
        at_bottom = humidity_at_temperature(along(flux, 1.0), warm.bottom_c) * bottom_psat
        more = slab.feed_g * (feed_pa - at_bottom) > flux
        low, high = np.where(more, flux, low), np.where(more, high, flux)
    at_20 = along(0.5 * (low + high), depth_mm / slab.thickness_mm)
    return 100.0 * humidity_at_temperature(at_20, warm.depth_c)


def part_of(building: Building, part_id: str) -> Cavity | Void:
    """A cavity or void by its id."""
    enclosed: list[Cavity | Void] = [*building.cavities, *building.voids]
    return next(x for x in enclosed if x.id == part_id)
