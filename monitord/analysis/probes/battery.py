"""A probe's battery, as it reports it itself."""

from __future__ import annotations

import numpy as np

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.series.rolling import median
from monitord.analysis.series.times import utc
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.facts import FindingKind
from monitord.model.jobs import Location
from monitord.model.series import Array, PlacementRecord


def low_battery(record: PlacementRecord, location: Location, as_of_s: float) -> Finding | None:
    """The finding about a battery's voltage [V] or, where none is reported, about its level [%].

    Whether it is low is the rule's to say: the limits depend on the cell, and with a level on the sender. A level is
    the sender's reckoning, so a voltage stands before it.

    Returns
    -------
    None where the probe reports neither, or the placement has ended.
    """
    placement, recent = record.placement, record.recent
    if placement.to_time is not None and as_of_s >= placement.to_time.timestamp():
        return None
    return _finding(FindingKind.LOW_BATTERY, "V", recent.battery_v, record, location, as_of_s) or _finding(
        FindingKind.LOW_BATTERY_LEVEL, "%", recent.battery_pct, record, location, as_of_s
    )


def _finding(
    kind: FindingKind, unit: str, values: Array, record: PlacementRecord, location: Location, as_of_s: float
) -> Finding | None:
    """The median of the newest values; None where there is none."""
    recent = record.recent
    known = values[: recent.time_s.searchsorted(as_of_s, side="right")]
    lately = max(0, len(known) - PROBES.battery_readings)
    reported = lately + np.flatnonzero(np.isfinite(known[lately:]))
    if len(reported) < len(known) - lately:  # some do not report it with every reading
        reported = np.flatnonzero(np.isfinite(known))[-PROBES.battery_readings :]
    if not len(reported):
        return None
    value = median(values[reported])
    return Finding(
        kind=kind,
        location=location.id,
        probe=record.placement.probe,
        measured_at=utc(float(recent.time_s[reported[-1]])),
        value=value,
        unit=unit,
        readings=len(reported),
        interval_s=record.placement.interval_s,
        facts=Facts(value=Quantity(value=value, unit=unit)),
    )
