"""`monitord job spot` and `monitord job spots`: what was measured by hand, kept with the job."""

from __future__ import annotations

from argparse import Namespace

from pydantic import ValidationError

from monitord.cli.common import database_of, note, out, settings_of, show_table, show_time, shown_in, units_of
from monitord.clock import SystemClock
from monitord.errors import JobFileError
from monitord.model.explain import problems
from monitord.model.site.spots import SCALES, Spot, SpotKind
from monitord.model.units import Units
from monitord.store import jobs as stored_jobs

_OPTIONS = {
    "wood": SpotKind.WOOD_MOISTURE,
    "surface": SpotKind.SURFACE_TEMPERATURE,
    "rh": SpotKind.RELATIVE_HUMIDITY,
    "wme": SpotKind.WOOD_EQUIVALENT,
    "plaster": SpotKind.PLASTER,
    "concrete": SpotKind.CONCRETE,
}


def add_spot(parsed: Namespace) -> int:
    """Keep a spot reading."""
    name, kind = next((name, kind) for name, kind in _OPTIONS.items() if getattr(parsed, name) is not None)
    try:
        spot = Spot(
            location_id=parsed.location,
            at=parsed.at or SystemClock().now().replace(microsecond=0),
            kind=kind,
            value=getattr(parsed, name),
            correction=parsed.correction,
            corrected_for=parsed.corrected_for,
            u=parsed.u,
            depth_mm=parsed.depth,
            instrument=parsed.instrument,
            by=parsed.by,
            note=parsed.note,
        )
    except ValidationError as error:
        first = problems(error, Spot)[0]
        remedy = first.remedy or "Correct the command and give it again; nothing was kept"
        raise JobFileError(first.what, remedy=remedy) from None
    with database_of(parsed) as database, database.write() as connection:
        if stored_jobs.add_spot(connection, parsed.job, spot) != "unchanged":
            note(connection, "took spot readings", parsed.job, f"{kind.value} at {parsed.location}")
    shown = shown_in(spot.corrected, SCALES[kind].unit, units_of(parsed, settings_of(parsed)))
    out(f"{parsed.job}: {shown} at {parsed.location}, {show_time(spot.at)}")
    return 0


def list_spots(parsed: Namespace) -> int:
    """Print a job's spot readings, or take one out."""
    units = units_of(parsed, settings_of(parsed))
    if parsed.remove is not None:
        with database_of(parsed) as database, database.write() as connection:
            gone = stored_jobs.remove_spot(connection, parsed.job, parsed.remove)
            note(
                connection,
                "took a spot reading out",
                parsed.job,
                f"{gone.kind.value} {gone.value:g} at {gone.location_id}",
            )
        shown = shown_in(gone.value, SCALES[gone.kind].unit, units)
        out(f"{parsed.job}: taken out: {shown} at {gone.location_id}, {show_time(gone.at)}")
        return 0
    with database_of(parsed) as database, database.read() as connection:
        job = stored_jobs.needed_job(connection, parsed.job)
    columns = ("no", "time", "location", "shown", "corrected", "corrected for", "instrument", "by", "note")
    show_table(columns, (_row(number, spot, units) for number, spot in enumerate(job.spots, start=1)))
    return 0


def _row(number: int, spot: Spot, units: Units) -> tuple[str, ...]:
    unit = SCALES[spot.kind].unit
    shown, corrected = shown_in(spot.value, unit, units), shown_in(spot.corrected, unit, units)
    return (
        str(number), show_time(spot.at), spot.location_id, shown, corrected, spot.corrected_for or "-",
        spot.instrument or "-", spot.by or "-", spot.note or "-",
    )  # fmt: skip
