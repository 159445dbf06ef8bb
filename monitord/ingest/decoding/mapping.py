"""Any gateway's JSON to readings, by the JMESPath expressions and units of a topic rule."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from typing import Any

import jmespath
from jmespath.exceptions import JMESPathError
from pydantic_core import from_json

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding.records import Decoded, RecordSource, build, check_count, decode_each, short
from monitord.ingest.decoding.times import from_unix, parse_rfc3339
from monitord.model.config.broker import FieldMapping, PayloadMapping, TimeFormat
from monitord.model.readings import Reading

Conversion = Callable[[float], float]

_INCH_OF_MERCURY_HPA = 33.86389
"""Conventional inch of mercury (NIST SP 811, appendix B.8: 3.386 389 E+03 Pa)."""

UNITS: dict[str, dict[str, Conversion]] = {
    "temperature_c": {"C": lambda x: x, "F": lambda x: (x - 32.0) / 1.8, "K": lambda x: x - 273.15},
    "relative_humidity_pct": {"%": lambda x: x, "ratio": lambda x: 100.0 * x},
    "battery_v": {"V": lambda x: x, "mV": lambda x: x / 1000.0},
    "pressure_hpa": {
        "hPa": lambda x: x,
        "mbar": lambda x: x,
        "Pa": lambda x: x / 100.0,
        "kPa": lambda x: 10.0 * x,
        "inHg": lambda x: x * _INCH_OF_MERCURY_HPA,
    },
    "rssi_dbm": {"dBm": lambda x: x},
}
"""For each quantity the units it may come in; the first is its own."""
UNITS["surface_temperature_c"] = UNITS["temperature_c"]

_REQUIRED = ("temperature_c", "relative_humidity_pct")


class CompiledMapping:
    """A rule's mapping, its expressions parsed and its units known.

    Raises
    ------
    ConfigurationError : an expression or unit is wrong; names the rule, the key and the remedy.
    """

    def __init__(self, mapping: PayloadMapping, where: str) -> None:
        self._mapping = mapping
        self._where = where
        self._records = self._expression("records", mapping.records)
        self._probe = self._expression("probe", mapping.probe)
        self._gateway = self._expression("gateway", mapping.gateway)
        self._time = self._expression("time", mapping.time)
        self._fields = [
            (name, self._expression(name, field.path), field.scale, self._conversion(name, field))
            for name in UNITS
            if (field := getattr(mapping, name)) is not None
        ]

    def decode(self, payload: bytes, source: RecordSource) -> Decoded:
        """Read a payload.

        Raises
        ------
        DecodeError : `not_json`, `no_records` when `records` finds nothing, or `too_many_records`.
        """
        try:
            whole = from_json(payload)
        except ValueError as error:
            raise DecodeError("not_json", "the payload is not JSON", why=str(error)) from None
        records = self._find("records", self._records, whole)
        if records is None or records == []:
            raise DecodeError(
                "no_records",
                f"the expression {self._mapping.records!r} finds no record in the payload",
                where=f"{self._where}: mapping.records",
                remedy="Correct the expression, then release what is held",
            )
        records = records if isinstance(records, list) else [records]
        check_count(len(records))
        return decode_each(records, self._reading, source)

    def _reading(self, record: object, source: RecordSource) -> Reading:
        time = self._read_time(record, source)
        values = {name: self._read(name, record, path, scale, unit) for name, path, scale, unit in self._fields}
        missing = [name for name in _REQUIRED if values[name] is None]
        if missing:
            raise DecodeError(
                "incomplete",
                f"no value for {' and '.join(missing)}",
                where=self._where,
                remedy="A reading needs both; correct the mapping if the gateway does send them",
            )
        probe = source.probe if self._probe is None else self._find("probe", self._probe, record)
        gateway = source.gateway if self._gateway is None else self._find("gateway", self._gateway, record)
        return build({**values, "probe": probe, "gateway": gateway, "time": time}, source)

    def _read_time(self, record: object, source: RecordSource) -> datetime:
        if self._time is None:
            return source.arrival()
        value = self._find("time", self._time, record)
        if self._mapping.time_format is TimeFormat.RFC3339:
            if not isinstance(value, str):
                raise DecodeError("bad_time", f"{short(value)} is not a text", where=f"{self._where}: mapping.time")
            return parse_rfc3339(value)
        number = self._number("time", value)
        return from_unix(number, 1000 if self._mapping.time_format is TimeFormat.UNIX_MS else 1)

    def _read(self, name: str, record: object, path: Any, scale: float, unit: Conversion) -> float | None:
        value = self._find(name, path, record)
        return None if value is None else unit(scale * self._number(name, value))

    def _number(self, name: str, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise DecodeError(
                "bad_value",
                f"{short(value)} is not a number",
                where=f"{self._where}: mapping.{name}",
                remedy="Where a gateway writes numbers as text, use to_number(...) in the expression",
            )
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise DecodeError("not_finite", f"{number} is not a measurement", where=f"{self._where}: mapping.{name}")
        return number

    def _find(self, key: str, expression: Any, value: object) -> Any:
        try:
            return expression.search(value)
        except (JMESPathError, RecursionError, ValueError, TypeError) as error:
            where = f"{self._where}: mapping.{key}"
            raise DecodeError(
                "bad_value", "the expression fails on this payload", where=where, why=str(error)
            ) from None

    def _expression(self, key: str, text: str | None) -> Any:
        if text is None:
            return None
        try:
            return jmespath.compile(text)
        except JMESPathError as error:
            raise ConfigurationError(
                f"{text!r} is not a JMESPath expression",
                where=f"topics: {self._where}: mapping.{key}",
                why=" ".join(str(error).split()),
                remedy="Correct it; names with signs other than letters, digits and _ stand in double quotes",
            ) from None

    def _conversion(self, name: str, field: FieldMapping) -> Conversion:
        units = UNITS[name]
        unit = field.unit or next(iter(units))
        if unit not in units:
            raise ConfigurationError(
                f"{unit!r} is not a unit of {name}",
                where=f"topics: {self._where}: mapping.{name}.unit",
                remedy=f"Write one of {', '.join(units)}",
            )
        return units[unit]
