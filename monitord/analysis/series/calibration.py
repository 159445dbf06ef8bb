"""From raw readings to values with their uncertainties: calibrations and accuracies, applied on the way out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from monitord.model.jobs import Accuracy, Calibration, Placement
from monitord.model.series import Array, Hourly, Series
from monitord.physics.uncertainty import rectangular


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainties of a probe's readings (k = 1)."""

    temperature_k: float
    relative_humidity_pct: float


def last_check(calibrations: Sequence[Calibration], probe: str, at: datetime) -> Calibration | None:
    """The last check of a probe at or before a time: its corrections are the ones that hold then."""
    before = [check for check in calibrations if check.probe == probe and check.at <= at]
    return max(before, key=lambda check: check.at, default=None)


def uncertainty_of(placement: Placement, calibrations: Sequence[Calibration], at_s: float) -> Uncertainty:
    """Standard uncertainties of a placement at a time, from the maker's ± limits or the last calibration."""
    accuracy: Accuracy = placement.accuracy
    for check in sorted(calibrations, key=lambda c: c.at):
        if check.probe == placement.probe and check.at.timestamp() <= at_s and check.accuracy is not None:
            accuracy = check.accuracy
    return Uncertainty(rectangular(accuracy.temperature_c), rectangular(accuracy.relative_humidity_pct))


def _corrections(placement: Placement, calibrations: Sequence[Calibration], times_s: Array) -> tuple[Array, Array]:
    temperature, humidity = np.zeros_like(times_s), np.zeros_like(times_s)
    for check in sorted(calibrations, key=lambda c: c.at):
        if check.probe == placement.probe:
            after = times_s >= check.at.timestamp()
            temperature[after] = check.temperature_correction_c
            humidity[after] = check.relative_humidity_correction_pct
    return temperature, humidity


def corrected_series(series: Series, placement: Placement, calibrations: Sequence[Calibration]) -> Series:
    """Raw readings with the calibrations of their probe applied; the raw ones stay as they were."""
    if not any(c.probe == placement.probe for c in calibrations):
        return series
    dt, drh = _corrections(placement, calibrations, series.time_s)
    return replace(
        series,
        temperature_c=series.temperature_c + dt,
        relative_humidity_pct=series.relative_humidity_pct + drh,
    )


def corrected_hourly(hourly: Hourly, placement: Placement, calibrations: Sequence[Calibration]) -> Hourly:
    """Hourly roll-ups with the calibrations of their probe applied.

    A correction is an offset, so it passes through medians and extremes unchanged; within the hour of a check
    the correction of the hour's start holds.
    """
    if not any(c.probe == placement.probe for c in calibrations):
        return hourly
    dt, drh = _corrections(placement, calibrations, hourly.hour_s)
    return replace(
        hourly,
        temperature_c=hourly.temperature_c + dt,
        temperature_min_c=hourly.temperature_min_c + dt,
        temperature_max_c=hourly.temperature_max_c + dt,
        relative_humidity_pct=hourly.relative_humidity_pct + drh,
        relative_humidity_min_pct=hourly.relative_humidity_min_pct + drh,
        relative_humidity_max_pct=hourly.relative_humidity_max_pct + drh,
    )
