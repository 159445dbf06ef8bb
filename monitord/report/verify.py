"""Checks a pack on any machine: every byte, the chain, the signature, and the verdicts computed again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from pydantic import ValidationError

from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readiness.verdict import Readiness
from monitord.report import tables
from monitord.report.archive import SIGNATURE, Manifest, PackFault, opened
from monitord.report.pack import (
    BOOK,
    CHAIN,
    CRITERIA,
    JOB,
    OPTIONS,
    PROGRAM,
    READINESS,
    READINGS,
    VERDICTS,
    known_digest,
    plain_json,
    verdicts,
)
from monitord.report.readings_file import chain_of
from monitord.report.signing import signer


@dataclass(frozen=True)
class Checked:
    """A pack whose every byte is as it was made."""

    manifest: Manifest
    signer: str | None
    """Public key in base64; None: not signed."""
    readiness: tuple[Readiness, ...]
    """The verdicts as the pack has them: the same as those computed again."""
    other_program: bool
    """It was made by another version than the one that checked it."""


def verify(data: bytes, public_key: str | None = None) -> Checked | PackFault:
    """Check the bytes of a pack; the first thing that is not as it was made names its file.

    Parameters
    ----------
    public_key : The key that the pack must be signed by, in base64; None: a signature, if there is one, must fit.
    """
    found = opened(data)
    if isinstance(found, PackFault):
        return found
    manifest, text, files, signature = found
    by = None if signature is None else signer(signature, text)
    if signature is not None and by is None:
        return PackFault(file=SIGNATURE, what="the signature does not fit the manifest")
    if public_key is not None and by != public_key:
        return PackFault(file=SIGNATURE, what="not signed" if by is None else f"signed by another key, {by}")
    fault = _contents(manifest, files)
    if isinstance(fault, PackFault):
        return fault
    return Checked(manifest, by, fault, manifest.program != PROGRAM)


def _contents(manifest: Manifest, files: dict[str, bytes]) -> tuple[Readiness, ...] | PackFault:
    try:
        job = JobFile.model_validate_json(files[JOB])
        criteria = BOOK.validate_json(files[CRITERIA])
        options = AnalysisOptions.model_validate_json(files[OPTIONS])
        kept = VERDICTS.validate_json(files[READINESS])
        as_of = datetime.fromisoformat(manifest.as_of)
        readings = files[READINGS].decode()
    except (KeyError, ValidationError, ValueError) as error:
        return PackFault(file=str(error).split("\n")[0], what="missing, or not what this version can read")
    chain, head = chain_of(readings)
    if head != manifest.chain_head or chain.encode() != files.get(CHAIN):
        return PackFault(file=CHAIN, what="the hash chain does not fit the readings")
    if known_digest(files) != manifest.known_sha256:
        return PackFault(file="MANIFEST.json", what="the digest of what was known does not fit the files")
    for name, header, rows in (
        ("placements.csv", tables.PLACEMENTS, tables.placements(job)),
        ("calibrations.csv", tables.CALIBRATIONS, tables.calibrations(job)),
        ("spot-readings.csv", tables.SPOTS, tables.spots(job)),
    ):
        if tables.csv_text(header, rows).encode() != files.get(name):
            return PackFault(file=name, what="it does not say what job.json says")
    again, _ = verdicts(job, readings, as_of, criteria, options)
    if plain_json(VERDICTS.dump_json(again).decode()) != files[READINESS]:
        made = f", made by {manifest.program}, checked by {PROGRAM}" if manifest.program != PROGRAM else ""
        return PackFault(file=READINESS, what=f"computed again from the readings, the verdicts differ{made}")
    return kept
