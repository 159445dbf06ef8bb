"""Weather reports of aerodromes (METAR, WMO-No. 306 code form FM 15) as readings of an outdoor probe.

A report gives temperature and dew point in whole degrees, some stations in tenths (group T of the remarks). The
relative humidity follows from both, over water (WMO-No. 8). What that leaves uncertain stands in FORMATS.md.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from metar.Metar import Metar, ParserError

from monitord.errors import DecodeError, PhysicsRangeError
from monitord.ingest.decoding.records import Decoded, RecordSource, build, check_count, decode_each
from monitord.model.readings import Reading
from monitord.physics.moist_air import relative_humidity, saturation_vapour_pressure

_DATE_LINE = re.compile(r"(\d{4})/(\d{2})/\d{2} \d{2}:\d{2}")
"""Stands above each report in files of weather services; gives the month that a report leaves out."""
_DAY = re.compile(r"\b(\d{2})(\d{2})(\d{2})Z\b")
_TEMPERATURES = re.compile(r"(?<!\S)M?\d\d/M?\d\d(?!\S)")
_MAX_TEXT = 1000
"""Characters of one report; the longest have some 300. Our choice."""
_CLOCKS_DIFFER = timedelta(hours=1)


def decode(payload: bytes, source: RecordSource) -> Decoded:
    """Readings of the reports in a payload, one a line; each is of the topic's probe, else of its own station.

    A report names day, hour and minute: the month is that of the date line above it, else the latest in which such a
    day was not ahead of the arrival.

    Raises
    ------
    DecodeError : it is no text, or has too many reports.
    """
    try:
        text = payload.decode("ascii")
    except UnicodeDecodeError:
        raise DecodeError(
            "not_metar", "not a report in ASCII", remedy="Publish the report as text, one a line"
        ) from None
    reports = list(_reports(text))
    check_count(len(reports))
    return decode_each(reports, _reading, source)


def _reports(text: str) -> Iterator[tuple[str, tuple[int, int] | None]]:
    """Each report, with the year and month of the line above it."""
    month: tuple[int, int] | None = None
    for line in text.splitlines():
        report = line.strip().rstrip("=").strip()
        if found := _DATE_LINE.fullmatch(report):
            month = (int(found[1]), int(found[2]))
        elif report:
            if _DAY.search(report) is None or _TEMPERATURES.search(report):  # else the station measured nothing
                yield report, month
            month = None


def _reading(dated: tuple[str, tuple[int, int] | None], source: RecordSource) -> Reading:
    report, month = dated
    if len(report) > _MAX_TEXT:
        raise DecodeError("not_metar", f"{len(report):,} characters are no report", remedy="Put each on its own line")
    day = _DAY.search(report)
    if day is None:
        raise DecodeError("not_metar", f"{report[:40]!r} names no time", remedy="A report has one such as 011050Z")
    year, number = month or _month_of(int(day[1]), int(day[2]), int(day[3]), source.received_at)
    try:
        found = Metar(report, month=number, year=year)
    except ParserError as error:
        raise DecodeError(
            "not_metar",
            f"{report[:40]!r} is no report",
            why=str(error).split("\n", 1)[0][:200],
            remedy="See WMO-No. 306",
        ) from None
    if found.temp is None or found.dewpt is None or found.time is None:
        raise DecodeError("incomplete", f"{report[:40]!r} lacks temperature or dew point")
    temperature, dew_point = found.temp.value("C"), found.dewpt.value("C")
    try:
        humidity = relative_humidity(temperature, saturation_vapour_pressure(dew_point, "water"))
    except PhysicsRangeError as error:
        raise DecodeError("bad_value", f"no humidity follows from the report: {error.what}") from None
    values = {
        "probe": source.probe or found.station_id,
        "gateway": source.gateway,
        "time": found.time.replace(tzinfo=UTC),
        "temperature_c": temperature,
        "relative_humidity_pct": humidity,
    }
    return build(values, source)


def _month_of(day: int, hour: int, minute: int, received_at: datetime) -> tuple[int, int]:
    """Year and month of the latest such day that is not ahead of the arrival."""
    first = received_at.replace(day=1)
    for _ in range(3):  # of two months in a row one has each day of 1 to 31, but January and February after New Year
        try:
            time = first.replace(day=day, hour=hour, minute=minute, second=0, microsecond=0)
        except ValueError:
            time = None
        if time is not None and time <= received_at + _CLOCKS_DIFFER:
            return time.year, time.month
        first = (first - timedelta(days=1)).replace(day=1)
    raise DecodeError("not_metar", f"there is no day {day} at {hour:02d}:{minute:02d}", remedy="Correct the report")
