"""`monitord report` and `monitord export`: what a job's people read, and its tables."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from monitord.cli.common import database_of, out, settings_of, units_of
from monitord.clock import SystemClock
from monitord.errors import ConfigurationError
from monitord.model.readiness.criteria_files import criteria_book
from monitord.report.collect import collect
from monitord.report.contents import contents_of
from monitord.report.pack import known_files
from monitord.report.pdf import pdf_report
from monitord.report.workbook import csv_files, workbook
from monitord.store.jobs import needed_job


def make_report(parsed: Namespace) -> int:
    """Carry out `report`."""
    settings = settings_of(parsed)
    book = criteria_book(settings.criteria.folder)
    with database_of(parsed) as database, database.read() as connection:
        job, now, units = needed_job(connection, parsed.job), SystemClock().now(), units_of(parsed, settings)
        firm = settings.report.firm
        contents = contents_of(connection, job, now, book, settings.analysis, firm, units, parsed.language)
    data = pdf_report(contents, settings.report.logo)
    _write(parsed.out, data)
    out(f"{parsed.out}: {len(contents.drawings)} charts, {len(data) / 1e3:.0f} kB")
    return 0


def export_job(parsed: Namespace) -> int:
    """Carry out `export`."""
    settings = settings_of(parsed)
    book = criteria_book(settings.criteria.folder)
    with database_of(parsed) as database, database.read() as connection:
        job = needed_job(connection, parsed.job)
        evidence = collect(connection, job, SystemClock().now(), book, settings.analysis)
    _, assessed = known_files(evidence)
    units = units_of(parsed, settings)
    if parsed.out.suffix.lower() == ".xlsx":
        _write(parsed.out, workbook(evidence, assessed.readiness, units))
    else:
        _make_folder(parsed.out)
        for name, text in csv_files(evidence, assessed.readiness, units).items():
            _write(parsed.out / name, text.encode())
    out(f"{parsed.out}: {len(evidence.rows)} readings")
    return 0


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigurationError("can't be made", where=str(path), why=error.strerror) from None


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise ConfigurationError("can't be written", where=str(path), why=error.strerror) from None
