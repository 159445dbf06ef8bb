"""A location against the air it may exchange vapour with: the difference, its uncertainty, and which way it drives."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from monitord.analysis.air.parameters import AIR
from monitord.analysis.series.calibration import Uncertainty, corrected_series, uncertainty_of
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.rolling import Summed
from monitord.analysis.series.times import utc
from monitord.model.assessments import Comparison, Flow, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Calibration, HumidityOver, JobFile, Location, LocationKind
from monitord.model.series import Array, Flags, PlacementRecord, Series
from monitord.physics.moist_air import humidity_ratio, vapour_pressure
from monitord.physics.uncertainty import combine, u_humidity_ratio, u_vapour_pressure


@dataclass(frozen=True)
class Present:
    """The newest usable readings of a location, calibrated, with their uncertainties."""

    location: Location
    series: Series
    uncertainty: Uncertainty
    interval_s: float
    humidity_over: HumidityOver
    probe: str

    @property
    def time_s(self) -> float:
        """Time of the newest usable reading. [s]"""
        return float(self.series.time_s[-1])

    @cached_property
    def summed(self) -> Summed:
        """Its temperature, summed up over time. [°C]"""
        return Summed.of(self.series.time_s, self.series.temperature_c)

    def last(self, span_s: float) -> Present:
        """The same with the readings of the last `span_s` only. [s]"""
        first = int(np.searchsorted(self.series.time_s, self.time_s - span_s))
        series = self.series.at(slice(first, None))
        return Present(self.location, series, self.uncertainty, self.interval_s, self.humidity_over, self.probe)


def present(
    location: Location,
    placements: Iterable[PlacementRecord],
    calibrations: tuple[Calibration, ...],
    excluded: dict[tuple[str, float], Flags],
    as_of_s: float,
    options: AnalysisOptions,
) -> Present | None:
    """The readings of the last days at a location that may speak for it; None where there are none.

    `excluded` gives for each placement which of its recent readings quality flagged.
    """
    chosen: Present | None = None
    for record in placements:
        placement = record.placement
        series = corrected_series(record.recent, placement, calibrations)
        settle = 0.0 if location.kind is LocationKind.SLAB_SLEEVE else options.air_settling_s
        begun = placement.from_time.timestamp()
        first = int(series.time_s.searchsorted(begun + settle))
        end = int(series.time_s.searchsorted(as_of_s, side="right"))
        out = excluded.get((placement.probe, begun))
        kept = series if first == 0 and end == len(series) else series.at(slice(first, end))
        if out is not None and out.any():
            kept = kept.at(~out[first:end])
        if not len(kept):
            continue
        if kept.relative_humidity_pct.max() > SERIES.max_rh_pct or kept.relative_humidity_pct.min() < 0.0:
            kept = replace(kept, relative_humidity_pct=np.clip(kept.relative_humidity_pct, 0.0, SERIES.max_rh_pct))
        if chosen is None or kept.time_s[-1] >= chosen.time_s:
            chosen = Present(
                location,
                kept,
                uncertainty_of(placement, calibrations, as_of_s),
                placement.interval_s,
                placement.humidity_over,
                placement.probe,
            )
    return chosen


def interpolated(other: Present, at_s: Array, values: Array, options: AnalysisOptions) -> Array:
    """Values of another air at given times, linear between its readings; NaN where it was not measured nearby."""
    limit = max(options.pairing_age_s, AIR.pairing_intervals * other.interval_s)
    times = other.series.time_s
    after = times.searchsorted(at_s)
    before_age = np.abs(at_s - times[np.maximum(after - 1, 0)])
    after_age = np.abs(times[np.minimum(after, len(times) - 1)] - at_s)
    near = np.minimum(before_age, after_age) <= limit
    return np.where(near, np.interp(at_s, times, values), np.nan)


def compare(present: Present, other: Present, role: str, pressure_pa: float, options: AnalysisOptions) -> Comparison:
    """Compare a location with another air at the time of the location's newest reading.

    Vapour pressures in Pa, humidity ratios in g/kg of dry air at `pressure_pa` [Pa], standard uncertainties
    propagated from both probes (JCGM 100:2008, 5.1.2; the probes are independent). A difference counts as one
    when larger than `options.coverage` standard uncertainties. Flow is unknown where the other air was not
    measured within the age limit.
    """
    at = present.series.time_s[-1:]
    t1, rh1 = float(present.series.temperature_c[-1]), float(present.series.relative_humidity_pct[-1])
    t2 = float(interpolated(other, at, other.series.temperature_c, options)[0])
    rh2 = float(interpolated(other, at, other.series.relative_humidity_pct, options)[0])
    if np.isnan(t2) or np.isnan(rh2):
        return Comparison(
            against=other.location.id,
            role=role,
            at=None,
            vapour_pressure_difference=None,
            humidity_ratio_difference=None,
            flow=Flow.UNKNOWN,
        )
    p1 = vapour_pressure(t1, rh1, humidity_over=present.humidity_over.value)
    p2 = vapour_pressure(t2, rh2, humidity_over=other.humidity_over.value)
    u = combine(
        u_vapour_pressure(t1, rh1, present.uncertainty.temperature_k, present.uncertainty.relative_humidity_pct),
        u_vapour_pressure(t2, rh2, other.uncertainty.temperature_k, other.uncertainty.relative_humidity_pct),
    )
    dvp = Quantity(value=float(p1 - p2), u=float(u), unit="Pa")
    u_w = combine(
        u_humidity_ratio(
            t1, rh1, present.uncertainty.temperature_k, present.uncertainty.relative_humidity_pct, pressure_pa
        ),
        u_humidity_ratio(
            t2, rh2, other.uncertainty.temperature_k, other.uncertainty.relative_humidity_pct, pressure_pa
        ),
    )
    dw = float(humidity_ratio(p1, pressure_pa) - humidity_ratio(p2, pressure_pa))
    clear = abs(dvp.value) > options.coverage * (dvp.u or 0.0)
    flow = (Flow.OUT_OF if dvp.value > 0 else Flow.INTO) if clear else Flow.NO_CLEAR_DIFFERENCE
    return Comparison(
        against=other.location.id,
        role=role,
        at=utc(float(at[0])),
        vapour_pressure_difference=dvp,
        humidity_ratio_difference=Quantity(value=1000.0 * dw, u=1000.0 * float(u_w), unit="g/kg"),
        flow=flow,
    )


def airs_of(job: JobFile, location: Location) -> list[tuple[str, Location]]:
    """The airs a location is compared with, and in which role: its room, outdoors, another reference."""
    airs: list[tuple[str, Location]] = []
    room, outdoor = job.room_of(location), job.outdoor()
    if room is not None and room.id != location.id:
        airs.append(("room", room))
    if location.reference is not None and location.reference not in {air.id for _, air in airs}:
        reference = job.location(location.reference)
        role = "outdoors" if reference.kind is LocationKind.OUTDOOR_AIR else "reference"
        airs.append((role, reference))
    if outdoor is not None and outdoor.id != location.id and outdoor.id not in {air.id for _, air in airs}:
        airs.append(("outdoors", outdoor))
    return airs
