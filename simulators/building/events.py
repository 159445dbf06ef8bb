"""What happens to a building while it dries: wanted and unwanted, with times."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MACHINE_OFF = "machine_off"
MACHINE_ON = "machine_on"
"""A machine that was not there before is started."""
HEATING_OFF = "heating_off"
WINDOW_OPEN = "window_open"
DOOR_OPEN = "door_open"
MOISTURE = "moisture"
LEAK = "leak"
GROUND_RISE = "ground_rise"
VENTS_SHUT = "vents_shut"
"""The vents of a void, or the air blown into a cavity, are shut off."""

DRIVE_KINDS = frozenset({MACHINE_OFF, HEATING_OFF, WINDOW_OPEN, MOISTURE, VENTS_SHUT})


@dataclass(frozen=True)
class Event:
    """One happening."""

    kind: str
    target: str
    """Id of the room, slab, cavity or void it happens to."""
    start_s: float
    end_s: float
    amount: float = 0.0
    """Window and door: air changes per hour added. Moisture, leak: kg/s. Ground rise: humidity below the slab, 0..1.
    Vents: share of the air change that is left."""
    benign: bool = False
    """Part of ordinary days on site: too short to matter to the drying."""

    def on(self, time_s: Array) -> NDArray[np.bool_]:
        """Whether it lasts at each time."""
        return np.asarray((time_s >= self.start_s) & (time_s < self.end_s))


def of(events: Iterable[Event], target: str, *kinds: str) -> list[Event]:
    """The events of some kinds that happen to one part of the building."""
    return [e for e in events if e.target == target and e.kind in kinds]


def sum_of(events: Iterable[Event], time_s: Array) -> Array:
    """Sum of the amounts of those that last, at each time."""
    total = np.zeros(len(time_s))
    for event in events:
        total[event.on(time_s)] += event.amount
    return total


def any_on(events: Iterable[Event], time_s: Array) -> NDArray[np.bool_]:
    """Whether any lasts, at each time."""
    result = np.zeros(len(time_s), dtype=bool)
    for event in events:
        result |= event.on(time_s)
    return result
