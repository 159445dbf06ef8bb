"""Probes that share a location: a standing side-by-side check, from the hours that both have reported.

Held against each other are vapour pressures, as humidity at the location's temperature: probes some centimetres apart
in a cavity share its vapour sooner than its temperature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from monitord.analysis.series.calibration import Uncertainty, corrected_hourly, uncertainty_of
from monitord.analysis.series.hourly_series import (
    HourlySeries,
    Masks,
    by_rank,
    first_usable_hour,
    placement_key,
)
from monitord.analysis.series.parameters import SERIES
from monitord.analysis.series.times import utc
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.facts import FindingKind, Truth
from monitord.model.jobs import Calibration, Location
from monitord.model.series import HOUR_S, Array, PlacementRecord
from monitord.physics.moist_air import saturation_vapour_pressure, vapour_pressure
from monitord.physics.uncertainty import combine, u_vapour_pressure


@dataclass(frozen=True)
class CoLocated:
    """Two probes at one location over the last days."""

    counts: str
    """The probe whose readings count: the surer one, of equals the one that stood first."""
    other: str
    difference_pct: float
    """Mean of the other less the one that counts, as humidity at the location's temperature. [% RH]"""
    u_pct: float
    """Standard uncertainty of that difference, from both probes' accuracies. [% RH]"""
    hours: int

    def disagree(self, coverage: float) -> bool:
        """Whether they differ by more than their accuracies allow."""
        return abs(self.difference_pct) > coverage * self.u_pct


def co_located(
    location: Location,
    placements: Sequence[PlacementRecord],
    calibrations: Sequence[Calibration],
    masks: Masks,
    as_of_s: float,
    air_settling_s: float,
) -> CoLocated | None:
    """The pair of probes that share a location now and differ most; None where there is no such pair."""
    ranked = by_rank(placements, calibrations, as_of_s)[::-1]
    standing = [r for r in ranked if r.placement.to_time is None or r.placement.to_time.timestamp() > as_of_s]
    pairs = []
    for counts, other in combinations(standing, 2):
        pair = _pair(location, counts, other, calibrations, masks, as_of_s, air_settling_s)
        if pair is not None:
            pairs.append(pair)
    return max(pairs, key=lambda pair: abs(pair.difference_pct), default=None)


def _pair(
    location: Location,
    counts: PlacementRecord,
    other: PlacementRecord,
    calibrations: Sequence[Calibration],
    masks: Masks,
    as_of_s: float,
    air_settling_s: float,
) -> CoLocated | None:
    since = as_of_s - SERIES.co_located_h * HOUR_S
    hours, t, vp, us = [], [], [], []
    for record in (counts, other):
        hourly = corrected_hourly(record.hourly, record.placement, calibrations)
        use = (hourly.hour_s >= max(since, first_usable_hour(record, location, air_settling_s))) & (
            hourly.hour_s < as_of_s
        )
        mask = masks.get(placement_key(record))
        use &= True if mask is None else mask == 0.0
        use &= np.isfinite(hourly.temperature_c) & np.isfinite(hourly.relative_humidity_pct)
        hours.append(hourly.hour_s[use])
        t.append(hourly.temperature_c[use])
        rh = np.clip(hourly.relative_humidity_pct[use], 0.0, SERIES.max_rh_pct)
        vp.append(vapour_pressure(t[-1], rh, humidity_over=record.placement.humidity_over.value))
        us.append(uncertainty_of(record.placement, calibrations, as_of_s))
    _, one, two = np.intersect1d(hours[0], hours[1], return_indices=True)
    if len(one) < SERIES.co_located_min_h:
        return None
    middle = 0.5 * (t[0][one] + t[1][two])
    saturation = np.asarray(saturation_vapour_pressure(middle))
    difference = float(np.mean(100.0 * (vp[1][two] - vp[0][one]) / saturation))
    u_pct = _u_pct(float(middle.mean()), vp[0][one], saturation, us)
    return CoLocated(counts.placement.probe, other.placement.probe, difference, u_pct, len(one))


def _u_pct(temperature_c: float, vapour: Array, saturation: Array, us: Sequence[Uncertainty]) -> float:
    """Standard uncertainty of the difference of two vapour pressures, as humidity. [% RH]"""
    rh = float(np.clip(np.mean(100.0 * vapour / saturation), 1.0, 100.0))
    each = (u_vapour_pressure(temperature_c, rh, u.temperature_k, u.relative_humidity_pct) for u in us)
    return 100.0 * float(combine(*each)) / float(saturation.mean())


def disagreement_finding(pair: CoLocated, location: Location, hour_s: float, coverage: float) -> Finding:
    """The finding about two probes at one location: whether they differ by more than their accuracies allow."""
    return Finding(
        kind=FindingKind.PROBES_DISAGREE,
        location=location.id,
        measured_at=utc(hour_s),
        truth=Truth.of(pair.disagree(coverage)),
        readings=pair.hours,
        facts=Facts(
            value=Quantity(value=abs(pair.difference_pct), u=pair.u_pct, unit="% RH"),
            counting_probe=pair.counts,
            other_probe=pair.other,
        ),
    )


def widened(series: HourlySeries, pair: CoLocated | None, coverage: float) -> HourlySeries:
    """The series with the uncertainty that two probes which disagree leave: half of what they differ by at least."""
    if pair is None or not pair.disagree(coverage):
        return series
    u = max(series.uncertainty.relative_humidity_pct, 0.5 * abs(pair.difference_pct))
    return replace(series, uncertainty=Uncertainty(series.uncertainty.temperature_k, u))
