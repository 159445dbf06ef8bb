"""Tables of a job as CSV, units in the header; guarded against cells that a spreadsheet would take for formulas."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from monitord.model.alerts import Alert
from monitord.model.jobs import JobFile
from monitord.model.messages import LogEntry
from monitord.store.notes import Note
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker

Cell = str | float | None

_STARTS = ("=", "+", "-", "@", "\t", "\r")


def guarded(cell: Cell) -> Cell:
    """Text that a spreadsheet would run as a formula gets an apostrophe before it (OWASP, CSV injection)."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_STARTS) else cell


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """A CSV file's text: commas, a point for decimals, an empty cell for none, formulas disarmed."""
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([("" if c is None else guarded(c)) for c in row] for row in rows)
    return held.getvalue()


def iso(time: datetime | None) -> str | None:
    """A time in UTC, to the second."""
    return None if time is None else time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


PLACEMENTS = ("probe", "location", "from [UTC]", "to [UTC]", "accuracy [K]", "accuracy [% RH]", "checked [UTC]")
CALIBRATIONS = ("probe", "at [UTC]", "correction [K]", "correction [% RH]", "accuracy [% RH]", "method", "by")
SPOTS = ("location", "at [UTC]", "kind", "shown", "correction", "u (k = 1)", "depth [mm]", "instrument", "by", "note")
ALERTS = ("opened [UTC]", "closed [UTC]", "kind", "location", "probe", "severity", "acknowledged by", "note", "text")
EQUIPMENT = (
    "id", "name", "kind", "location", "from [UTC]", "to [UTC]", "rated [L/day]", "at [UTC]", "emptied [L]", "meter [L]",
    "by",
)  # fmt: skip
"""One row for each record of water, at least one for each machine and place."""
NOTES = ("at [UTC]", "location", "by", "text", "photos (SHA-256)")
MESSAGES = ("at [UTC]", "person", "channel", "title", "outcome", "detail")


def placements(job: JobFile) -> list[Sequence[Cell]]:
    """Which probe was where, from when to when."""
    return [
        (
            p.probe, p.location_id, iso(p.from_time), iso(p.to_time), p.accuracy.temperature_c,
            p.accuracy.relative_humidity_pct, iso(p.calibrated_at),
        )
        for p in job.probes
    ]  # fmt: skip


def calibrations(job: JobFile) -> list[Sequence[Cell]]:
    """What checks found."""
    return [
        (
            c.probe, iso(c.at), c.temperature_correction_c, c.relative_humidity_correction_pct,
            None if c.accuracy is None else c.accuracy.relative_humidity_pct, c.method, c.by,
        )
        for c in job.calibrations
    ]  # fmt: skip


def spots(job: JobFile) -> list[Sequence[Cell]]:
    """What was measured by hand."""
    return [
        (s.location_id, iso(s.at), s.kind.value, s.value, s.correction, s.u, s.depth_mm, s.instrument, s.by, s.note)
        for s in job.spots
    ]


def equipment(job: JobFile) -> list[Sequence[Cell]]:
    """Which machine was where, from when to when, and each record of its water."""
    found: list[Sequence[Cell]] = []
    for item in job.equipment:
        head = (
            item.id, item.name, item.kind.value, item.location_id, iso(item.from_time), iso(item.to_time),
            item.rated_l_per_day,
        )  # fmt: skip
        rows = [(*head, iso(w.at), w.litres, w.meter_l, w.by) for w in item.water]
        found += rows or [(*head, None, None, None, None)]
    return found


def notes(made: Iterable[Note]) -> list[Sequence[Cell]]:
    """What people noted, and the digests of their photos."""
    return [(iso(n.at), n.location, n.by, n.text, " ".join(one.digest for one in n.photos)) for n in made]


def alerts(episodes: Iterable[Alert]) -> list[Sequence[Cell]]:
    """The alerts that opened."""
    return [
        (
            iso(a.opened_at), iso(a.closed_at), a.kind, a.location, a.probe, a.severity.value, a.acknowledged_by,
            a.acknowledgement_note, _opening(a),
        )
        for a in episodes
    ]  # fmt: skip


def _opening(alert: Alert) -> str:
    """What an alert opened with, in English with times in UTC: the same whenever the table is written."""
    speaker = Speaker(language(), UTC, alert.opened_at or alert.finding.measured_at)
    return AlertSpeaker(speaker, alert).opening()


def messages(entries: Iterable[LogEntry]) -> list[Sequence[Cell]]:
    """What people were sent."""
    return [(iso(e.at), e.person, e.channel, e.title, e.outcome, e.detail) for e in entries]
