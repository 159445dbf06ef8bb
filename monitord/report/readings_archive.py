"""Raw readings of a closed job out of the database into an evidence pack, and back.

In this order, so that a death at any point loses nothing: the pack is written, flushed to disk, read back and verified;
one transaction notes it beside the job; only then are readings taken out, some thousand at a time. Begun again, it goes
on where it was. What an evidence pack leaves out of a reading (level of the battery, pressure, signal, gateway, when a
live copy came) lies in a file of its own, so that what is put back is what was taken out.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from monitord.errors import JobFileError, StoreError
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.report.archive import PackFault, opened
from monitord.report.collect import collect
from monitord.report.pack import MORE, READINGS, make_pack
from monitord.report.readings_file import iso_ms, ms_of
from monitord.report.verify import Checked, verify
from monitord.store.db.database import Database
from monitord.store.db.tables import NEVER_MS
from monitord.store.db.times import to_ms
from monitord.store.jobs import list_jobs, needed_job
from monitord.store.series import archived, rollups
from monitord.store.series.archived import Archived
from monitord.store.series.raw_reading import RawReading

_MORE_HEADER = ("probe", "time [UTC]", "battery [%]", "pressure [hPa]", "signal [dBm]", "gateway", "live [UTC]")
_NEVER = "never"
"""In `live`: only seen as a retained replay."""


def archive_readings(
    db: Database,
    job_id: str,
    folder: Path,
    now: datetime,
    criteria: CriteriaBook,
    options: AnalysisOptions,
    key: Ed25519PrivateKey | None = None,
) -> Archived:
    """Archive the raw readings of a closed job, or go on with what was begun.

    Raises
    ------
    JobFileError : no such job, or it goes on.
    StoreError : the pack can't be written, or is not there to go on with; nothing more was taken out then.
    """
    with db.read() as conn:
        job, found = needed_job(conn, job_id), archived.archived(conn, job_id)
    if found is not None and found.removed_at is not None:
        return found
    if found is None:
        found = _begin(db, job, folder, now, criteria, options, key)
    else:
        _need_pack(folder / found.file, found)
    taken = 1
    while taken:
        with db.write() as conn:
            taken = archived.take_out(conn, job, found.as_of)
    with db.write() as conn:
        archived.finish(conn, job.job, now)
    return found._replace(removed_at=now)


def restore_readings(db: Database, pack: Path) -> tuple[str, int]:
    """Put the raw readings of a pack back, each as it was; the job, and how many: 0 if they are there already.

    Raises
    ------
    JobFileError : no such job.
    StoreError : the pack was altered, or is not the one that the job's readings were archived in.
    """
    data = _read(pack)
    contents = opened(data)
    if isinstance(contents, PackFault):
        raise StoreError(f"refused: {contents.file}: {contents.what}", where=str(pack), remedy=_OTHER_COPY)
    manifest, _, files, _ = contents
    with db.read() as conn:
        needed_job(conn, manifest.job)
        found = archived.archived(conn, manifest.job)
    if found is None:
        return manifest.job, 0
    if hashlib.sha256(data).hexdigest() != found.sha256:
        raise StoreError(
            f"not the pack that the readings of job {manifest.job!r} were archived in",
            where=str(pack),
            why=f"that is {found.file}, SHA-256 {found.sha256}",
            remedy="Give that one",
        )
    rows = list(_rows(files))
    for first in range(0, len(rows), archived.AT_ONCE):
        with db.write() as conn:
            archived.put_back(conn, rows[first : first + archived.AT_ONCE])
    with db.write() as conn:
        archived.forget(conn, manifest.job)
    return manifest.job, len(rows)


def due(db: Database, now: datetime, after: timedelta) -> list[str]:
    """Jobs that ended so long ago and are not archived, or not wholly."""
    with db.read() as conn:
        done = {found.job for found in archived.all_archived(conn) if found.removed_at is not None}
        ended = [job for job in list_jobs(conn) if job.end is not None and job.end <= now - after]
    return [job.job for job in ended if job.job not in done]


_OTHER_COPY = "Give another copy of it"


def _begin(
    db: Database,
    job: JobFile,
    folder: Path,
    now: datetime,
    criteria: CriteriaBook,
    options: AnalysisOptions,
    key: Ed25519PrivateKey | None,
) -> Archived:
    as_of = now.replace(microsecond=now.microsecond // 1000 * 1000)  # as finely as stored times
    going_on = [p.probe for p in job.probes if p.to_time is None or p.to_time > as_of]
    if job.end is None or job.end > as_of or going_on:
        raise JobFileError(
            "only the readings of a job that is closed can be archived",
            where=f"job {job.job}",
            why=f"the placement of probe {going_on[0]!r} goes on" if going_on else "it goes on",
            remedy=f"`monitord job close {job.job}` first",
        )
    rollups.renew_all(db, to_ms(as_of))
    with db.read() as conn:
        evidence = collect(conn, job, as_of, criteria, options)
        stored = archived.stored_readings(conn, job, as_of)
    data = make_pack(evidence, key, {MORE: _more_text(stored).encode()})
    file = f"{job.job}-archive-{as_of:%Y%m%dT%H%M%SZ}.zip"
    _write(folder / file, data)
    checked = _verified(folder / file, stored)
    digest = hashlib.sha256(data).hexdigest()
    made = Archived(job.job, file, digest, checked.manifest.readings, as_of, now, None)
    with db.write() as conn:
        archived.begin(conn, made, needed_job(conn, job.job))
    return made


def _verified(path: Path, stored: Sequence[RawReading]) -> Checked:
    """The pack as it was read back, whole, with exactly these readings in it.

    Raises
    ------
    StoreError : it is anything else; nothing may be taken out then.
    """
    data = _read(path)
    checked, contents = verify(data), opened(data)
    if isinstance(checked, PackFault) or isinstance(contents, PackFault):
        raise StoreError(f"the pack can't be verified: {checked}", where=str(path), remedy="Nothing was taken out")
    if sorted(_rows(contents[2]), key=lambda row: row.key) != sorted(stored, key=lambda row: row.key):
        raise StoreError(
            "the pack does not hold the readings as stored", where=str(path), remedy="Nothing was taken out"
        )
    return checked


def _need_pack(path: Path, found: Archived) -> None:
    if hashlib.sha256(_read(path)).hexdigest() != found.sha256:
        raise StoreError(
            "not the pack that was begun with",
            where=str(path),
            why=f"that has SHA-256 {found.sha256}",
            remedy=_OTHER_COPY,
        )


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise StoreError(
            "can't be read", where=str(path), why=error.strerror, remedy="Give the folder it lies in"
        ) from None


def _write(path: Path, data: bytes) -> None:
    """The whole file under its name, flushed to disk, or none."""
    unfinished = path.with_name(f"{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        unfinished.rename(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise StoreError(
            "the pack can't be written",
            where=str(path),
            why=error.strerror,
            remedy="Nothing was taken out; free some space",
        ) from None
    finally:
        with suppress(OSError):  # the refusal above says more
            unfinished.unlink(missing_ok=True)


# --- what packs leave out ---------------------------------------------------------------------------------------


def _more_text(rows: Iterable[RawReading]) -> str:
    held = io.StringIO()
    writer = csv.writer(held, lineterminator="\n")
    writer.writerow(_MORE_HEADER)
    for row in sorted(rows, key=lambda row: row[:2]):
        live = None if row.live_ms is None else _NEVER if row.live_ms == NEVER_MS else iso_ms(row.live_ms)
        values = (row.battery_pct, row.pressure_hpa, row.rssi_dbm, row.gateway, live)
        if any(value is not None for value in values):
            texts = (repr(float(v)) if isinstance(v, float | int) else v for v in values)
            writer.writerow((row.probe, iso_ms(row.time_ms), *texts))
    return held.getvalue()


def _rows(files: dict[str, bytes]) -> Iterator[RawReading]:
    """Every reading of a pack, as it was stored."""
    more = {(row[0], ms_of(row[1])): row[2:] for row in list(csv.reader(io.StringIO(files[MORE].decode())))[1:]}
    for line in files[READINGS].decode().rstrip("\n").split("\n")[1:]:
        received, time, probe, _location, celsius, humidity, surface, volts = line.split(",")
        time_ms = ms_of(time)
        level, pressure, signal, gateway, live = more.get((probe, time_ms), ("", "", "", "", ""))
        yield RawReading(
            probe,
            time_ms,
            float(celsius),
            float(humidity),
            _number(surface),
            _number(volts),
            _number(level),
            _number(pressure),
            _number(signal),
            gateway or None,
            ms_of(received),
            NEVER_MS if live == _NEVER else ms_of(live) if live else None,
        )


def _number(text: str) -> float | None:
    return float(text) if text else None
