"""Any gateway's payload to readings, by the JMESPath expressions and units of a topic rule."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import jmespath

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding import payloads
from monitord.ingest.decoding.expressions import Expression, holds, scope_of
from monitord.ingest.decoding.records import (
    Decoded,
    Half,
    RecordSource,
    build,
    check_count,
    checked_probe,
    decode_each,
    short,
)
from monitord.ingest.decoding.times import read_number, read_text
from monitord.model.config.broker import FieldMapping, PayloadMapping, TimeFormat
from monitord.model.readings import Reading

Conversion = Callable[[float], float]

_INCH_OF_MERCURY_HPA = 33.86389
"""Conventional inch of mercury (NIST SP 811, appendix B.8: 3.386 389 E+03 Pa)."""

UNITS: dict[str, dict[str, Conversion]] = {
    "temperature_c": {"C": lambda x: x, "F": lambda x: (x - 32.0) / 1.8, "K": lambda x: x - 273.15},
    "relative_humidity_pct": {"%": lambda x: x, "ratio": lambda x: 100.0 * x},
    "battery_v": {"V": lambda x: x, "mV": lambda x: x / 1000.0},
    "battery_pct": {"%": lambda x: x, "ratio": lambda x: 100.0 * x},
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

_NOT_IN_IDS = re.compile(r"[\s/+#$]")
_REQUIRED = ("temperature_c", "relative_humidity_pct")


class CompiledMapping:
    """A rule's mapping, its expressions parsed and its units known.

    Parameters
    ----------
    mapping : as the settings have it.
    where : the rule, for messages.
    when : the rule's condition, None: every message is a reading.

    Raises
    ------
    ConfigurationError : an expression or unit is wrong; names the rule, the key and the remedy.
    """

    def __init__(self, mapping: PayloadMapping, where: str, when: str | None = None) -> None:
        self.settings = mapping
        self._where = where
        self._when = None if when is None else Expression("when", when, where)
        self._records = Expression("mapping.records", mapping.records, where)
        self._probe = self._expression("probe", mapping.probe)
        self._gateway = self._expression("gateway", mapping.gateway)
        self._time = self._expression("time", mapping.time)
        self._fields = [
            (name, Expression(f"mapping.{name}", field.path, where), field.scale, self._conversion(name, field))
            for name in UNITS
            if (field := getattr(mapping, name)) is not None
        ]

    def decode(self, payload: bytes, source: RecordSource) -> Decoded | None:
        """Read a payload.

        Returns
        -------
        What came out of it; None where the rule's `when` says that it is no reading.

        Raises
        ------
        DecodeError : `not_json` and its like; `no_records` when `records` finds nothing; `too_many_records`.
        """
        whole = payloads.read(payload, self.settings.encoding, text_too=self._when is not None)
        scope = scope_of(source.levels, whole)
        if self._when is not None and not holds(self._when.find(whole, scope)):
            return None
        records = self._records.find(whole, scope)
        if records is None or records == []:
            raise DecodeError(
                "no_records",
                f"the expression {self.settings.records!r} finds no record in the payload",
                where=f"{self._where}: mapping.records",
                remedy="Correct the expression, then release what is held; where such messages carry no reading, "
                "give the rule a `when`",
            )
        records = records if isinstance(records, list) else [records]
        check_count(len(records))
        return decode_each(records, lambda record, source: self._reading(record, source, scope), source)

    def trace(self, payload: bytes, source: RecordSource) -> Iterator[tuple[str, object]]:
        """What each expression finds in a payload and in its first record, by the keys of the rule.

        Raises
        ------
        DecodeError : as `decode`, at the expression that fails.
        """
        whole = payloads.read(payload, self.settings.encoding, text_too=self._when is not None)
        scope = scope_of(source.levels, whole)
        yield f"payload ({self.settings.encoding})", whole
        if self._when is not None:
            condition = self._when.find(whole, scope)
            yield "when", condition
            if not holds(condition):
                return
        records = self._records.find(whole, scope)
        yield "records", records
        first = records[0] if isinstance(records, list) and records else records
        expressions = {"probe": self._probe, "gateway": self._gateway, "time": self._time}
        for name, expression in (*expressions.items(), *((name, path) for name, path, _, _ in self._fields)):
            if expression is not None:
                yield name, expression.find(first, scope)

    def _reading(self, record: object, source: RecordSource, scope: jmespath.Options) -> Reading | Half:
        time = self._read_time(record, source, scope)
        values: dict[str, Any] = {
            name: self._read(name, record, path, scope, scale, unit) for name, path, scale, unit in self._fields
        }
        missing = [name for name in _REQUIRED if values.get(name) is None]
        within_s = self.settings.join_within_s
        if len(missing) > (0 if within_s is None else 1):
            raise DecodeError(
                "incomplete",
                f"no value for {' and '.join(missing)}",
                where=self._where,
                remedy="A reading needs both; correct the mapping if the gateway does send them, give the rule a "
                "`when` if this message is no reading, or join_within_s if they come in two messages",
            )
        values["probe"] = self._id(source.probe if self._probe is None else self._probe.find(record, scope))
        values["gateway"] = self._id(source.gateway if self._gateway is None else self._gateway.find(record, scope))
        values["time"] = time
        if not missing or within_s is None:
            return build(values, source)
        checked_probe(values["probe"])
        return Half({name: value for name, value in values.items() if value is not None}, within_s)

    def _id(self, found: Any) -> Any:
        sign = self.settings.replace_in_ids
        return found if sign is None or not isinstance(found, str) else _NOT_IN_IDS.sub(sign, found.strip())

    def _read_time(self, record: object, source: RecordSource, scope: jmespath.Options) -> datetime:
        formats = self.settings.time_formats
        value = None if self._time is None else self._time.find(record, scope)
        if value is None and formats[-1] is TimeFormat.ARRIVAL:
            return source.arrival()
        refusal: DecodeError | None = None
        for wanted in formats:
            if wanted is TimeFormat.ARRIVAL:
                continue
            try:
                return self._time_in(wanted, value, source)
            except DecodeError as error:
                refusal = refusal or error
        assert refusal is not None  # a mapping without `time` has "arrival" only
        raise refusal

    def _time_in(self, wanted: TimeFormat, value: object, source: RecordSource) -> datetime:
        if wanted is not TimeFormat.RFC3339:
            return read_number(self._number("time", value), wanted, source.received_at)
        if not isinstance(value, str):
            raise DecodeError(
                "bad_time",
                f"{short(value)} is not a text",
                where=f"{self._where}: mapping.time",
                remedy="Check time_format in the rule's mapping",
            )
        return read_text(value, self.settings.time_zone, source.received_at)

    def _read(
        self, name: str, record: object, path: Expression, scope: jmespath.Options, scale: float, unit: Conversion
    ) -> float | None:
        value = path.find(record, scope)
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

    def _expression(self, key: str, text: str | None) -> Expression | None:
        return None if text is None else Expression(f"mapping.{key}", text, self._where)

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
