"""A whole job as a workbook (XLSX) or as CSV files: raw readings, tables and verdicts, with formulas disarmed."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from typing import Any

import xlsxwriter

from monitord.errors import ConfigurationError
from monitord.model.readiness.verdict import Readiness
from monitord.model.units import Units
from monitord.report import tables
from monitord.report.pack import Evidence
from monitord.report.readings_file import iso_ms
from monitord.report.tables import Cell
from monitord.report.tables_read import as_read

READINGS = (
    "received [UTC]", "time [UTC]", "probe", "location", "temperature [degC]", "relative humidity [%]",
    "surface temperature [degC]", "battery [V]",
)  # fmt: skip
VERDICTS = ("element", "verdict", "criteria", "as of [UTC]", "earliest [UTC]", "missing")
LOCATIONS = ("location", "name", "kind", "depth [mm]", "thickness [mm]", "drying faces", "goal", "limit")

_MOST_ROWS = 1_000_000
"""Readings that a sheet takes: a sheet of the format has 1,048,576 rows (ECMA-376)."""


def sheets(
    evidence: Evidence, verdicts: Sequence[Readiness], units: Units = Units.METRIC
) -> dict[str, tuple[Sequence[str], Iterable[Sequence[Cell]]]]:
    """Every table of a job in its reader's units: name, header and rows."""
    job = evidence.job
    found: dict[str, tuple[Sequence[str], Iterable[Sequence[Cell]]]] = {
        "locations": (LOCATIONS, _locations(evidence)),
        "verdicts": (VERDICTS, _verdicts(verdicts)),
        "placements": (tables.PLACEMENTS, tables.placements(job)),
        "calibrations": (tables.CALIBRATIONS, tables.calibrations(job)),
        "spot readings": (tables.SPOTS, tables.spots(job)),
        "equipment": (tables.EQUIPMENT, tables.equipment(job)),
        "notes": (tables.NOTES, tables.notes(evidence.notes)),
        "alerts": (tables.ALERTS, tables.alerts(evidence.alerts)),
        "messages": (tables.MESSAGES, tables.messages(evidence.messages)),
        "readings": (READINGS, _readings(evidence)),
    }
    return {name: as_read(header, rows, units) for name, (header, rows) in found.items()}


def workbook(evidence: Evidence, verdicts: Sequence[Readiness], units: Units = Units.METRIC) -> bytes:
    """The bytes of a workbook with a sheet for each table.

    Raises
    ------
    ConfigurationError : more readings than a sheet holds.
    """
    if len(evidence.rows) > _MOST_ROWS:
        raise ConfigurationError(
            f"{len(evidence.rows)} readings are more than a sheet holds", remedy="Export to a folder: it gets CSV files"
        )
    held = io.BytesIO()
    options: dict[str, Any] = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(held, options) as book:
        book.set_properties({"title": evidence.job.label, "created": evidence.as_of.replace(tzinfo=None)})
        bold = book.add_format({"bold": True})
        for name, (header, rows) in sheets(evidence, verdicts, units).items():
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, header, bold)
            sheet.freeze_panes(1, 0)
            for number, row in enumerate(rows, start=1):
                for column, cell in enumerate(row):
                    if isinstance(cell, str):
                        sheet.write_string(number, column, cell)
                    elif cell is not None:
                        sheet.write_number(number, column, cell)
            sheet.autofit()
    return held.getvalue()


def csv_files(evidence: Evidence, verdicts: Sequence[Readiness], units: Units = Units.METRIC) -> dict[str, str]:
    """The same as CSV files, by name."""
    return {
        f"{name.replace(' ', '-')}.csv": tables.csv_text(header, rows)
        for name, (header, rows) in sheets(evidence, verdicts, units).items()
    }


def _locations(evidence: Evidence) -> list[Sequence[Cell]]:
    return [
        (
            where.id, where.name, where.kind.value, where.depth_mm, where.slab_thickness_mm, where.drying_sides,
            None if where.goal is None else where.goal.metric.value, None if where.goal is None else where.goal.limit,
        )
        for where in evidence.job.locations
    ]  # fmt: skip


def _verdicts(verdicts: Sequence[Readiness]) -> list[Sequence[Cell]]:
    return [
        (v.element, v.verdict.value, v.criteria, tables.iso(v.as_of), tables.iso(v.earliest), ", ".join(v.missing))
        for v in verdicts
    ]


def _readings(evidence: Evidence) -> Iterable[Sequence[Cell]]:
    for row in sorted(evidence.rows, key=lambda row: row[:3]):
        values = (None if math.isnan(value) else value for value in row[4:])
        yield iso_ms(row.received_ms), iso_ms(row.time_ms), row.probe, row.location, *values
