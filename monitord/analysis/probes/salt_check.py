"""A probe in the air over a saturated salt: the check of its humidity against a published fixed point."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.probes.side_by_side import Together
from monitord.model.assessments import Quantity
from monitord.model.jobs import Calibration
from monitord.model.series import HOUR_S, Array
from monitord.physics.fixed_points import RANGE_C, SALTS, salt_humidity, u_salt_humidity
from monitord.physics.saturation import saturation_slope


class SaltProblem(StrEnum):
    """Why a probe over a salt could not be judged."""

    TOO_FEW_READINGS = "too_few_readings"
    OUT_OF_RANGE = "out_of_range"
    """The fixed points hold from 0 to 50 °C."""
    NOT_SETTLED = "not_settled"
    """The air in the box still moves."""


@dataclass(frozen=True)
class SaltCheck:
    """How a probe stands to the air over a saturated salt, by the last two hours of its time there."""

    probe: str
    salt: str
    at: datetime
    """When it was taken out."""
    temperature_c: float | None
    measured: Quantity | None
    """Mean of the probe. [%]"""
    expected: Quantity | None
    """Fixed point at that temperature. [%]"""
    correction: Quantity | None
    """What would have to be added to the probe. [%]"""
    within: bool | None
    """Whether it agrees within its stated accuracy; None where the air had not settled or too little was measured."""
    limit_pct: float
    """The probe's stated ± accuracy. [% RH]"""
    problem: SaltProblem | None = None
    """Why it could not be judged."""

    def proposed_calibration(self, by: str = "", earlier: Calibration | None = None) -> Calibration | None:
        """What to record of the check, for a person to accept; None where the probe could not be judged.

        A probe within its accuracy keeps the corrections it has: the record says that it was checked. One that is out
        of it gets its humidity corrected to the fixed point.

        Parameters
        ----------
        earlier : The calibration with which the checked readings were corrected; the proposal includes it.
        """
        if self.within is None or self.correction is None:
            return None
        stood = earlier.relative_humidity_correction_pct if earlier is not None else 0.0
        return Calibration(
            probe=self.probe,
            at=self.at,
            temperature_correction_c=earlier.temperature_correction_c if earlier is not None else 0.0,
            relative_humidity_correction_pct=round(stood + (0.0 if self.within else self.correction.value), 2),
            method=f"saturated salt, {SALTS[self.salt].name}",
            by=by,
        )


def salt_check(probe: Together, salt: str, end: datetime) -> SaltCheck:
    """Check a probe's humidity over a saturated salt by the two hours before `end`.

    Parameters
    ----------
    probe : Its readings, with the corrections that hold, and its stated ± accuracy.
    salt : Formula of the salt, one of `physics.fixed_points.SALTS`.
    end : When it was taken out.

    Returns
    -------
    The check. Within its accuracy is a probe whose mean lies no further from the fixed point than its ± limit and two
    standard uncertainties of the fixed point, which are those of Greenspan 1977 and of a box that is even to 0.1 K.

    Raises
    ------
    PhysicsRangeError : an unknown salt.
    """
    u_salt = u_salt_humidity(salt)
    time = probe.series.time_s
    late = (time >= end.timestamp() - HOUR_S) & (time < end.timestamp())
    early = (time >= end.timestamp() - 2.0 * HOUR_S) & (time < end.timestamp() - HOUR_S)
    before, after = _means(probe, early), _means(probe, late)
    if before is None or after is None:
        return _unjudged(probe, salt, end, SaltProblem.TOO_FEW_READINGS)
    celsius, measured = 0.5 * (before + after)
    if not RANGE_C[0] <= celsius <= RANGE_C[1]:
        return _unjudged(probe, salt, end, SaltProblem.OUT_OF_RANGE)
    move_c, move_pct = np.abs(after - before)
    if move_pct > PROBES.salt_steady_pct or move_c > PROBES.salt_steady_k:
        return _unjudged(probe, salt, end, SaltProblem.NOT_SETTLED)
    expected = float(salt_humidity(salt, float(celsius)))
    u = float(np.hypot(u_salt, PROBES.uneven_k * expected * saturation_slope(float(celsius), "water")))
    correction, limit = expected - float(measured), probe.accuracy.relative_humidity_pct
    within = abs(correction) <= limit + PROBES.together_coverage * u
    return SaltCheck(
        probe=probe.probe,
        salt=salt,
        at=end,
        temperature_c=float(celsius),
        measured=Quantity(value=float(measured), unit="%"),
        expected=Quantity(value=expected, u=u, unit="%"),
        correction=Quantity(value=correction, u=u, unit="%"),
        within=within,
        limit_pct=limit,
    )


def _means(probe: Together, use: NDArray[np.bool_]) -> Array | None:
    """Mean temperature and humidity of some readings; None with too few."""
    values = np.array([probe.series.temperature_c[use], probe.series.relative_humidity_pct[use]])
    values = values[:, np.isfinite(values).all(axis=0)]
    return values.mean(axis=1) if values.shape[1] >= PROBES.salt_min_readings else None


def _unjudged(probe: Together, salt: str, end: datetime, problem: SaltProblem) -> SaltCheck:
    limit = probe.accuracy.relative_humidity_pct
    return SaltCheck(probe.probe, salt, end, None, None, None, None, None, limit, problem)
