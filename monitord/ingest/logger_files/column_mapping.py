"""What the columns of a logger's file mean: a file of its own, written once for each kind of logger."""

from __future__ import annotations

import tomllib
from datetime import UTC, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from monitord.errors import ConfigurationError
from monitord.ingest.decoding.mapping import UNITS
from monitord.model.explain import MistakesError, problems, read_toml
from monitord.model.jobs import known_zone
from monitord.model.readings import Identifier

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)
_DEW_POINT = "dew_point_c"


def _zone(name: str) -> str:
    if not name.startswith(("+", "-")):
        return known_zone(name)
    hours, colon, minutes = name[1:].partition(":")
    if not (colon and len(hours) == len(minutes) == 2 and hours.isdigit() and minutes.isdigit() and int(hours) < 15):
        raise ValueError(f"{name!r} is no offset; write one such as +01:00")
    return name


class Column(BaseModel):
    """Where one quantity stands."""

    model_config = _STRICT

    column: Annotated[str, Field(min_length=1)]
    """Title of the column, as in the file."""
    unit: str
    """What it is written in."""


class Times(BaseModel):
    """Where the time stands, and how it is written."""

    model_config = _STRICT

    columns: Annotated[tuple[str, ...], Field(min_length=1, max_length=2)]
    """Title of the column, or of two (date and time of day)."""
    form: Annotated[str, Field(min_length=1)]
    """`iso`, `unix_s`, or its parts as strftime has them, such as %d.%m.%Y %H:%M:%S."""
    zone: Annotated[str, AfterValidator(_zone)] = "UTC"
    """Zone of times without an offset: an IANA name, or the logger's fixed offset such as +01:00."""

    def zone_info(self) -> tzinfo:
        """The zone."""
        if self.zone.startswith(("+", "-")):
            hours, minutes = self.zone[1:].split(":")
            span = timedelta(hours=int(hours), minutes=int(minutes))
            return timezone(span if self.zone[0] == "+" else -span)
        return UTC if self.zone == "UTC" else ZoneInfo(self.zone)


class ProbeColumns(BaseModel):
    """One probe: its id, and the columns with what it measured."""

    model_config = _STRICT

    id: Identifier | None = None
    """Id of the probe, as in the job file."""
    id_column: str | None = None
    """In place of `id`: the column that holds it, where the rows of several probes follow each other."""
    temperature_c: Column
    """Air temperature: C, F or K."""
    relative_humidity_pct: Column | None = None
    """Relative humidity: % or ratio."""
    dew_point_c: Column | None = None
    """In its place, where the file has none: the dew point over water: C, F or K."""
    surface_temperature_c: Column | None = None
    """Of a surface that the probe touches: C, F or K."""
    battery_v: Column | None = None
    """V or mV."""
    battery_pct: Column | None = None
    """% or ratio."""
    pressure_hpa: Column | None = None
    """hPa, mbar, Pa, kPa or inHg."""

    @property
    def quantities(self) -> dict[str, Column]:
        """Quantity to its column, of those that are given."""
        fields: dict[str, Column | None] = {
            name: getattr(self, name) for name in type(self).model_fields if name not in ("id", "id_column")
        }
        return {name: column for name, column in fields.items() if column is not None}

    @model_validator(mode="after")
    def _complete(self) -> Self:
        mistakes = []
        if (self.id is None) == (self.id_column is None):
            mistakes.append("a probe needs id or id_column; give one of them")
        if (self.relative_humidity_pct is None) == (self.dew_point_c is None):
            mistakes.append("a probe needs relative_humidity_pct or dew_point_c; give one of them")
        for name, column in self.quantities.items():
            known = UNITS["temperature_c" if name == _DEW_POINT else name]
            if column.unit not in known:
                mistakes.append(f"{name}: unit {column.unit!r} is not known; use one of {', '.join(known)}")
        if mistakes:
            raise MistakesError(mistakes)
        return self


class ColumnMapping(BaseModel):
    """What the columns of a file mean."""

    model_config = _STRICT

    format: Literal[1] = 1
    """Version of this format."""
    encoding: str = "utf-8-sig"
    """Of the text: utf-8-sig (with or without a mark at its beginning), cp1252, utf-16 ..."""
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] = ","
    """What stands between two columns."""
    decimal: Literal[".", ","] = "."
    """Decimal sign."""
    skip_lines: Annotated[int, Field(ge=0, le=1000)] = 0
    """Lines before the one with the titles."""
    missing: tuple[str, ...] = ("", "-", "--", "---", "NaN", "nan", "null", "N/A")
    """What stands where nothing was measured."""
    time: Times
    """The time."""
    probes: tuple[ProbeColumns, ...]
    """The probes."""

    @model_validator(mode="after")
    def _some(self) -> Self:
        if not self.probes:
            raise ValueError("there is no probe; add a table [[probes]]")
        return self


def load_mapping(path: Path) -> ColumnMapping:
    """Read a mapping.

    Raises
    ------
    ConfigurationError : it can't be read, or it is none; every mistake is named.
    """
    try:
        data: dict[str, Any] = read_toml(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigurationError(
            "the mapping can't be read",
            where=str(path),
            why=error.strerror or str(error),
            remedy="`monitord import FILE --propose` prints a draft of one",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            "not valid TOML", where=str(path), why=str(error), remedy="Correct it, or begin from a new draft"
        ) from None
    try:
        return ColumnMapping.model_validate(data)
    except ValidationError as error:
        found = [f"{each.key}: {each.what}. {each.remedy or ''}".rstrip() for each in problems(error, ColumnMapping)]
        first, *more = found
        text = first if not more else f"{len(found)} mistakes\n  " + "\n  ".join(found)
        raise ConfigurationError(text, where=str(path)) from None
