"""What an evidence pack holds, from values to files. Nothing here reads a store or a clock."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pydantic import TypeAdapter

import monitord
from monitord.analysis.assess import assess_job
from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.messages import LogEntry
from monitord.model.readiness.criteria import Criteria
from monitord.model.readiness.criteria_files import DRY_TO_GOAL
from monitord.model.readiness.verdict import Readiness
from monitord.report import tables
from monitord.report.archive import Manifest, archive, entry_of
from monitord.report.readings_file import Row, chain_of, readings_text, record_from
from monitord.report.signing import sign
from monitord.store.notes import Note

JOB, READINGS, CHAIN = "job.json", "readings.csv", "readings-chain.csv"
MORE = "readings-more.csv"
"""Of an archive only: what came with the readings and no verdict rests on."""
CRITERIA, OPTIONS, READINESS = "criteria.json", "options.json", "readiness.json"
KNOWN = (JOB, READINGS, CRITERIA, OPTIONS, READINESS)
"""What the verdicts rest on, and the verdicts: a sign-off freezes the digest of these."""
PROGRAM = f"monitord {monitord.__version__}"

VERDICTS = TypeAdapter(tuple[Readiness, ...])
BOOK = TypeAdapter(dict[str, Criteria])

README = """\
Evidence of one job, made by {program}, as of {as_of}.

monitord evidence verify PACK       checks every byte and computes the verdicts again from the readings.
sha256sum --check MANIFEST.sha256   checks the manifest alone, after unpacking; MANIFEST.json lists all other files.

readings.csv       raw readings as they came, never changed, units in the header, in order of arrival
readings-chain.csv every 1000th link of the hash chain over its rows: SHA-256 of the link before and the row, as text
job.json           the job: locations, placements of the probes, calibrations, spot readings, slabs and goals
criteria.json      the rules that were followed; options.json: the limits of the analysis
readiness.json     the verdicts, computed from the files above; assessment.json: everything else as of then
placements.csv, calibrations.csv, spot-readings.csv, equipment.csv, alerts.csv, messages.csv, signoffs.json: as their
names say
readings-more.csv  in an archive of readings: the battery's level, pressure, signal and gateway that came with them
notes.csv          what people noted; photo-*.jpg: their photos, named by the beginning of their SHA-256

It informs; it replaces no covering manufacturer's limit, local code or licensed practice.
"""


@dataclass(frozen=True)
class Evidence:
    """Everything that goes into a pack."""

    job: JobFile
    as_of: datetime
    rows: list[Row]
    criteria: Mapping[str, Criteria]
    options: AnalysisOptions
    shown: JobAssessment | None = None
    """The assessment as people last saw it."""
    alerts: tuple[Alert, ...] = ()
    messages: tuple[LogEntry, ...] = ()
    signoffs: str = "[]\n"
    """As JSON."""
    notes: tuple[Note, ...] = ()
    photos: Mapping[str, bytes] = field(default_factory=dict)
    """By digest."""


def plain_json(text: str) -> bytes:
    """JSON in one form: keys sorted, two spaces, an end of line."""
    return (json.dumps(json.loads(text), sort_keys=True, indent=2, ensure_ascii=False) + "\n").encode()


def used_criteria(job: JobFile, book: Mapping[str, Criteria]) -> dict[str, Criteria]:
    """The criteria that a job's verdicts rest on."""
    wanted = {slab.criteria for slab in job.slabs} | {DRY_TO_GOAL}
    return {name: criteria for name, criteria in book.items() if name in wanted}


def verdicts(
    job: JobFile, readings: str, as_of: datetime, criteria: Mapping[str, Criteria], options: AnalysisOptions
) -> tuple[tuple[Readiness, ...], JobAssessment]:
    """The verdicts and the whole assessment, from the text of `readings.csv` alone."""
    assessed = assess_job(job, record_from(readings, job, as_of), as_of, options, criteria=criteria)
    return assessed.readiness, assessed


def known_files(evidence: Evidence) -> tuple[dict[str, bytes], JobAssessment]:
    """The files that a sign-off freezes, and the assessment made on the way."""
    readings = readings_text(evidence.rows)
    criteria = used_criteria(evidence.job, evidence.criteria)
    found, assessed = verdicts(evidence.job, readings, evidence.as_of, criteria, evidence.options)
    return {
        JOB: plain_json(evidence.job.model_dump_json(by_alias=True)),
        READINGS: readings.encode(),
        CRITERIA: plain_json(BOOK.dump_json(criteria).decode()),
        OPTIONS: plain_json(evidence.options.model_dump_json()),
        READINESS: plain_json(VERDICTS.dump_json(found).decode()),
    }, assessed


def known_digest(files: Mapping[str, bytes]) -> str:
    """SHA-256 over name and SHA-256 of each file that the verdicts rest on, and of the verdicts."""
    lines = "".join(f"{hashlib.sha256(files[name]).hexdigest()}  {name}\n" for name in KNOWN)
    return hashlib.sha256(lines.encode()).hexdigest()


def make_pack(
    evidence: Evidence, key: Ed25519PrivateKey | None = None, more: Mapping[str, bytes] = MappingProxyType({})
) -> bytes:
    """The bytes of a pack; the same evidence gives the same bytes. `more`: further files by name."""
    files, assessed = known_files(evidence)
    readings = files[READINGS].decode()
    chain, head = chain_of(readings)
    job, as_of = evidence.job, tables.iso(evidence.as_of) or ""
    shown = assessed if evidence.shown is None else evidence.shown
    files |= {
        CHAIN: chain.encode(),
        "assessment.json": plain_json(shown.model_dump_json()),
        "placements.csv": tables.csv_text(tables.PLACEMENTS, tables.placements(job)).encode(),
        "calibrations.csv": tables.csv_text(tables.CALIBRATIONS, tables.calibrations(job)).encode(),
        "spot-readings.csv": tables.csv_text(tables.SPOTS, tables.spots(job)).encode(),
        "alerts.csv": tables.csv_text(tables.ALERTS, tables.alerts(evidence.alerts)).encode(),
        "messages.csv": tables.csv_text(tables.MESSAGES, tables.messages(evidence.messages)).encode(),
        "signoffs.json": plain_json(evidence.signoffs),
        "equipment.csv": tables.csv_text(tables.EQUIPMENT, tables.equipment(job)).encode(),
        "notes.csv": tables.csv_text(tables.NOTES, tables.notes(evidence.notes)).encode(),
        "readme.txt": README.format(program=PROGRAM, as_of=as_of).encode(),
    }
    files |= more
    files |= {f"photo-{digest[:16]}.jpg": jpeg for digest, jpeg in evidence.photos.items()}
    files = dict(sorted(files.items()))
    manifest = Manifest(
        program=PROGRAM,
        job=job.job,
        as_of=evidence.as_of.isoformat(),
        readings=len(evidence.rows),
        chain_head=head,
        known_sha256=known_digest(files),
        signed=key is not None,
        files=tuple(entry_of(name, content) for name, content in files.items()),
    )
    text = plain_json(manifest.model_dump_json())
    return archive(text, files, None if key is None else sign(key, text))
