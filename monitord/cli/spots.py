"""`monitord job spot` and `monitord job spots`: what was measured by hand, kept with the job."""

from __future__ import annotations

from argparse import Namespace

from pydantic import ValidationError

from monitord.cli.common import database_of, out, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import JobFileError
from monitord.model.explain import problems
from monitord.model.site.spots import Spot, SpotKind
from monitord.store import jobs as stored_jobs

_UNITS = {SpotKind.WOOD_MOISTURE: "%MC", SpotKind.SURFACE_TEMPERATURE: "°C"}


def add_spot(parsed: Namespace) -> int:
    """Keep a spot reading."""
    kind = SpotKind.WOOD_MOISTURE if parsed.wood is not None else SpotKind.SURFACE_TEMPERATURE
    try:
        spot = Spot(
            location_id=parsed.location,
            at=parsed.at or SystemClock().now().replace(microsecond=0),
            kind=kind,
            value=parsed.wood if parsed.wood is not None else parsed.surface,
            correction=parsed.correction,
            corrected_for=parsed.corrected_for,
            u=parsed.u,
            instrument=parsed.instrument,
            by=parsed.by,
            note=parsed.note,
        )
    except ValidationError as error:
        first = problems(error, Spot)[0]
        remedy = first.remedy or "Correct the command and give it again; nothing was kept"
        raise JobFileError(first.what, remedy=remedy) from None
    with database_of(parsed) as database, database.write() as connection:
        stored_jobs.add_spot(connection, parsed.job, spot)
    out(f"{parsed.job}: {spot.corrected:g} {_UNITS[kind]} at {parsed.location}, {show_time(spot.at)}")
    return 0


def list_spots(parsed: Namespace) -> int:
    """Print a job's spot readings, or take one out."""
    if parsed.remove is not None:
        with database_of(parsed) as database, database.write() as connection:
            gone = stored_jobs.remove_spot(connection, parsed.job, parsed.remove)
        out(f"{parsed.job}: taken out: {gone.value:g} {_UNITS[gone.kind]} at {gone.location_id}, {show_time(gone.at)}")
        return 0
    with database_of(parsed) as database, database.read() as connection:
        job = stored_jobs.needed_job(connection, parsed.job)
    columns = ("no", "time", "location", "shown", "corrected", "corrected for", "instrument", "by", "note")
    show_table(columns, (_row(number, spot) for number, spot in enumerate(job.spots, start=1)))
    return 0


def _row(number: int, spot: Spot) -> tuple[str, ...]:
    unit = _UNITS[spot.kind]
    shown, corrected = f"{spot.value:g} {unit}", f"{spot.corrected:g} {unit}"
    return (
        str(number), show_time(spot.at), spot.location_id, shown, corrected, spot.corrected_for or "-",
        spot.instrument or "-", spot.by or "-", spot.note or "-",
    )  # fmt: skip
