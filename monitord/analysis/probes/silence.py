"""Whether a probe that should report is silent. Its age counts from the stamp of its newest live reading."""

from __future__ import annotations

from monitord.analysis.series.times import utc
from monitord.model.assessments import Facts, Finding
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.facts import FindingKind
from monitord.model.jobs import Location
from monitord.model.series import PlacementRecord


def silent_probe(
    record: PlacementRecord, location: Location, as_of_s: float, options: AnalysisOptions
) -> Finding | None:
    """The finding about a probe's silence; None for a placement that has ended or not begun.

    The value is the age of the newest live reading in reporting intervals, an interval shorter than
    `silent_interval_floor_s` counting as this floor: probes that report each minute may miss a few.
    Unknown for the first `silent_first_grace_h` of a probe that never reported there: it may not be switched on yet.
    """
    placement = record.placement
    begun = placement.from_time.timestamp()
    if as_of_s < begun or (placement.to_time is not None and as_of_s >= placement.to_time.timestamp()):
        return None
    interval = max(placement.interval_s, options.silent_interval_floor_s)
    seen_s = begun if record.last_seen_s is None else max(record.last_seen_s, begun)
    age = max(0.0, as_of_s - seen_s)
    never = record.last_seen_s is None or record.last_seen_s < begun
    waiting = never and age < options.silent_first_grace_h * 3600.0
    return Finding(
        kind=FindingKind.PROBE_SILENT,
        location=location.id,
        probe=placement.probe,
        measured_at=utc(as_of_s),
        value=None if waiting else age / interval,
        unit="intervals",
        readings=1,
        since=utc(seen_s),
        interval_s=placement.interval_s,
        facts=Facts(at=None if never else utc(seen_s), since=utc(seen_s), interval_s=placement.interval_s, age_s=age),
    )
