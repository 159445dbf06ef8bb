"""`monitord evidence`: packs that a third party can verify."""

from __future__ import annotations

import os
from argparse import Namespace
from pathlib import Path

from monitord.cli.common import database_of, out, settings_of
from monitord.clock import SystemClock
from monitord.errors import ConfigurationError, StoreError
from monitord.model.readiness.criteria_files import criteria_book
from monitord.report.archive import PackFault
from monitord.report.collect import collect
from monitord.report.pack import make_pack
from monitord.report.signing import load_key, new_key, public_text, stamped_at
from monitord.report.verify import verify
from monitord.store import signoffs
from monitord.store.jobs import needed_job


def make(parsed: Namespace) -> int:
    """Carry out `evidence make`."""
    settings = settings_of(parsed)
    key = None if parsed.key is None else load_key(parsed.key)
    book = criteria_book(settings.criteria.folder)
    as_of = parsed.as_of or SystemClock().now()
    with database_of(parsed) as database, database.read() as connection:
        job = needed_job(connection, parsed.job)
        if parsed.signoff is not None:
            made = next((s for s in signoffs.signoffs(connection, job.job) if s.id == parsed.signoff), None)
            if made is None:
                raise StoreError(f"job {job.job!r} has no sign-off {parsed.signoff}")
            job, as_of = signoffs.job_as_signed(connection, made.id), made.as_of
        as_of = as_of.replace(microsecond=as_of.microsecond // 1000 * 1000)
        evidence = collect(connection, job, as_of, book, settings.analysis)
    data = make_pack(evidence, key)
    _write(parsed.out, data)
    out(f"{parsed.out}: {len(evidence.rows)} readings, {len(data) / 1e6:.1f} MB{'' if key is None else ', signed'}")
    return 0


def verify_pack(parsed: Namespace) -> int:
    """Carry out `evidence verify`."""
    data = _read(parsed.pack)
    checked = verify(data, parsed.public_key)
    if isinstance(checked, PackFault):
        raise ConfigurationError(
            f"refused: {checked.file}: {checked.what}",
            where=str(parsed.pack),
            remedy="Ask whoever gave it to you for the pack as it was made",
        )
    manifest = checked.manifest
    out(f"Every byte is as it was made: {len(manifest.files)} files, {manifest.readings} readings.")
    out(f"Job {manifest.job}, as of {manifest.as_of}, by {manifest.program}.")
    out(f"Signed by {checked.signer}." if checked.signer else "Not signed.")
    out(f"Digest of what was known: {manifest.known_sha256}")
    if parsed.timestamp is not None:
        stamped = stamped_at(_read(parsed.timestamp), data)
        if stamped is None:
            raise ConfigurationError(
                f"not a time stamp of {parsed.pack}",
                where=str(parsed.timestamp),
                why="it holds no SHA-256 of that file",
                remedy="Give the response that was made for this very file",
            )
        out(f"Time stamp: the file was there at {stamped:%Y-%m-%dT%H:%M:%SZ}, as it states. Did its authority make it?")
        out(f"  openssl ts -verify -data {parsed.pack} -in {parsed.timestamp} -CAfile AUTHORITY.pem")
    for found in checked.readiness:
        missing = f" (missing: {', '.join(found.missing)})" if found.missing else ""
        out(f"{found.element}: {found.verdict.value}{missing}, computed again from the readings: the same")
    return 0


def make_key(parsed: Namespace) -> int:
    """Carry out `evidence key`."""
    if parsed.out.exists():
        raise ConfigurationError("is there already", where=str(parsed.out), remedy="Name another file; keys are kept")
    _write(parsed.out, new_key(), mode=0o600)
    out(f"{parsed.out}: keep it secret. Its public half, to be given to whoever verifies:")
    out(public_text(load_key(parsed.out)))
    return 0


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConfigurationError("can't be read", where=str(path), why=error.strerror) from None


def _write(path: Path, data: bytes, mode: int = 0o644) -> None:
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "wb") as file:
            file.write(data)
    except OSError as error:
        raise ConfigurationError("can't be written", where=str(path), why=error.strerror) from None
