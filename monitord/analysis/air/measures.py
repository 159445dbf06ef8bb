"""What would speed the drying most: ventilation, heating or dehumidifying, by a simple moisture balance.

What dries gives vapour to the room in proportion to the drive, its vapour pressure minus the room's; what leaves the
shut room goes with the air change to the outdoors. The ratio of the two conductances follows from the three vapour
pressures as they are now. Each lever changes one term, and the balance says where the drive settles. It leaves out
that materials dry more slowly the drier they are, and what walls store: it ranks, it does not predict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitord.analysis.air.parameters import AIR
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import Measure, MeasureEffect, MeasureKind, WetPlaces
from monitord.model.quantity import Quantity
from monitord.physics.moist_air import saturation_vapour_pressure
from monitord.physics.uncertainty import combine


@dataclass(frozen=True)
class Balance:
    """The vapour pressures that the balance rests on, with standard uncertainties. [Pa]"""

    element_pa: float
    """Of what dries: the mean of the wet locations beside the room, or saturation at room temperature."""
    room_pa: float
    outdoor_pa: float
    u_element_pa: float
    u_room_pa: float
    u_outdoor_pa: float
    room_c: float
    element_c: float
    dries: WetPlaces

    @property
    def drive_pa(self) -> float:
        """Vapour pressure of what dries minus the room's. [Pa]"""
        return self.element_pa - self.room_pa

    @property
    def ratio(self) -> float:
        """Conductance from what dries to the room against that from the room to outdoors; 0 where nothing shows it."""
        given, taken = self.drive_pa, self.room_pa - self.outdoor_pa
        if given <= AIR.min_drive_pa or taken <= 0.0:
            return 0.0
        return min(taken / given, AIR.max_conductance_ratio)


def measures(balance: Balance, options: AnalysisOptions) -> tuple[Measure, ...]:
    """Ventilation, heating and dehumidifying with the drive that each would lead to, the greatest gain first."""
    found = (_air(balance, options), _heat(balance, options), _dehumidify(balance, options))
    return tuple(sorted(found, key=lambda measure: -measure.gain.value))


def _measure(name: MeasureKind, setting: Quantity, after_pa: float, u_gain: float, balance: Balance) -> Measure:
    gain = after_pa - balance.drive_pa
    u_drive = float(combine(balance.u_element_pa, balance.u_room_pa))
    effect = MeasureEffect.RAISES if gain > 0 else MeasureEffect.LOWERS
    return Measure(
        name=name,
        setting=setting,
        effect=MeasureEffect.LEAVES if abs(gain) < AIR.unchanged_pa else effect,
        drive=Quantity(value=after_pa, u=float(np.hypot(u_drive, u_gain)), unit="Pa"),
        gain=Quantity(value=gain, u=u_gain, unit="Pa"),
    )


def _air(b: Balance, options: AnalysisOptions) -> Measure:
    """More air change: the conductance to outdoors grows in proportion."""
    shut = options.base_changes_per_h
    more = (shut + options.airing_changes_per_h) / shut
    if b.ratio > 0.0:
        ratio = b.ratio / more
        room = (ratio * b.element_pa + b.outdoor_pa) / (1.0 + ratio)
    else:  # nothing shows the balance: the room's air goes so far towards the outdoor air
        room = b.room_pa + (1.0 - 1.0 / more) * (b.outdoor_pa - b.room_pa)
    u = (1.0 - 1.0 / more) * float(combine(b.u_room_pa, b.u_outdoor_pa))
    setting = Quantity(value=options.airing_changes_per_h, unit="1/h")
    return _measure(MeasureKind.VENTILATE, setting, b.element_pa - room, u, b)


def _heat(b: Balance, options: AnalysisOptions) -> Measure:
    """Warming room and element: what dries gives more, and the room's air takes its share up."""
    step = options.heating_step_k
    warmer = float(saturation_vapour_pressure(min(b.element_c + step, AIR.max_heated_c)))
    factor = warmer / float(saturation_vapour_pressure(b.element_c))
    element = b.element_pa * factor
    # the room stays above or below the balance of its own by as much as it is now
    settled = (b.ratio * b.element_pa + b.outdoor_pa) / (1.0 + b.ratio)
    room = (b.ratio * element + b.outdoor_pa) / (1.0 + b.ratio) + (b.room_pa - settled)
    u = (factor - 1.0) * b.u_element_pa / (1.0 + b.ratio)
    return _measure(MeasureKind.HEAT, Quantity(value=step, unit="K"), element - room, u, b)


def _dehumidify(b: Balance, options: AnalysisOptions) -> Measure:
    """A machine that holds the room's air at a stated humidity, if it is not drier already."""
    held = options.dehumidified_rh_pct / 100.0 * float(saturation_vapour_pressure(b.room_c))
    room = min(held, b.room_pa)
    setting = Quantity(value=options.dehumidified_rh_pct, unit="% RH")
    u = b.u_room_pa if held < b.room_pa else 0.0
    return _measure(MeasureKind.DEHUMIDIFY, setting, b.element_pa - room, u, b)


def as_good_as_first(found: tuple[Measure, ...], coverage: float) -> tuple[MeasureKind, ...]:
    """The measures that help and whose gain is not clearly less than that of the first."""
    best = found[0].gain
    return tuple(
        measure.name
        for measure in found[1:]
        if best.value - measure.gain.value <= coverage * float(np.hypot(best.u or 0.0, measure.gain.u or 0.0))
        and measure.gain.value > 0.0
    )


def clearly_helps(measure: Measure, coverage: float) -> bool:
    """Whether a measure raises the difference by more than the uncertainty: not where it is hot and dry already."""
    return measure.gain.value > coverage * (measure.gain.u or 0.0)
