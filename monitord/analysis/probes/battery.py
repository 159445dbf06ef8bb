"""A probe's battery, as it reports it itself."""

from __future__ import annotations

import numpy as np

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.series.rolling import median
from monitord.analysis.series.times import utc
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.facts import FindingKind
from monitord.model.jobs import Location
from monitord.model.series import PlacementRecord


def low_battery(record: PlacementRecord, location: Location, as_of_s: float) -> Finding | None:
    """The finding about a battery's voltage [V]; None where the probe reports none, or the placement has ended.

    Whether it is low is the rule's to say: the limits depend on the cell.
    """
    placement, recent = record.placement, record.recent
    if placement.to_time is not None and as_of_s >= placement.to_time.timestamp():
        return None
    known = recent.battery_v[: recent.time_s.searchsorted(as_of_s, side="right")]
    reported = np.flatnonzero(np.isfinite(known))[-PROBES.battery_readings :]
    if not len(reported):
        return None
    value = median(recent.battery_v[reported])
    return Finding(
        kind=FindingKind.LOW_BATTERY,
        location=location.id,
        probe=placement.probe,
        measured_at=utc(float(recent.time_s[reported[-1]])),
        value=value,
        unit="V",
        readings=len(reported),
        interval_s=placement.interval_s,
        facts=Facts(value=Quantity(value=value, unit="V")),
    )
