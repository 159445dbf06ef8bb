"""Our own JSON: one reading as an object, or a backlog of them as a list."""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from typing import Annotated, Any, NotRequired

from pydantic import ConfigDict, FailFast, Field, TypeAdapter, ValidationError, with_config
from pydantic_core import from_json
from typing_extensions import TypedDict

from monitord.errors import DecodeError
from monitord.ingest.decoding.records import (
    MAX_KEYS,
    MAX_RECORDS,
    Decoded,
    RecordSource,
    build,
    check_count,
    decode_each,
    from_validation,
)
from monitord.ingest.decoding.times import RFC3339, parse_matched, parse_rfc3339
from monitord.model.readings import Finite, Reading
from monitord.store.db.times import to_ms
from monitord.store.series.raw_reading import RawReading


@with_config(ConfigDict(strict=True, extra="allow"))
class Record(TypedDict):
    """One reading as our gateways write it; units stand in the names."""

    time: Annotated[str, Field(max_length=64)]
    temperature_c: Finite
    relative_humidity_pct: Finite
    surface_temperature_c: NotRequired[Finite | None]
    battery_v: NotRequired[Finite | None]
    battery_pct: NotRequired[Finite | None]
    pressure_hpa: NotRequired[Finite | None]
    rssi_dbm: NotRequired[Finite | None]


@with_config(ConfigDict(strict=True, extra="allow"))
class QuickRecord(Record):
    """The same with its time's form checked along, where that costs a tenth of what it does in Python."""

    time: Annotated[str, Field(max_length=64, pattern=RFC3339)]


KEYS = frozenset(Record.__annotations__)
_ONE: TypeAdapter[Record] = TypeAdapter(Record)
_QUICK: TypeAdapter[QuickRecord] = TypeAdapter(QuickRecord)
_MANY: TypeAdapter[list[QuickRecord]] = TypeAdapter(
    Annotated[list[QuickRecord], FailFast(), Field(max_length=MAX_RECORDS)]
)
"""For a list that is right: at the first error it gives up."""
_new: Callable[[type[RawReading], tuple[Any, ...]], RawReading] = tuple.__new__
"""Without a call in Python for each reading."""
_LONGEST = 2 * max(map(len, KEYS))
"""A key that is longer than this is like none of ours."""
_ALIKE = 0.85
"""Likeness (difflib's ratio) from which an unknown key is taken for a slip of the pen: one or two letters."""


def quick_rows(payload: bytes, probe: str, gateway: str | None, received_ms: int) -> list[RawReading]:
    """The quick way, for a payload that is right, as almost all are: its readings as a store has them.

    Each record is checked once and becomes a row. None where anything is wrong: `decode` then says what, and reads what
    is right.

    Parameters
    ----------
    probe : its id, checked.
    """
    try:
        records = [_QUICK.validate_json(payload)] if payload[:1] == b"{" else _MANY.validate_json(payload)
        rows = []
        for record in records:
            if not KEYS.issuperset(record):
                _refuse_misspelt(record)
            get: Callable[[str], Any] = record.get
            row = (
                probe,
                to_ms(parse_matched(record["time"])),
                record["temperature_c"],
                record["relative_humidity_pct"],
                get("surface_temperature_c"),
                get("battery_v"),
                get("battery_pct"),
                get("pressure_hpa"),
                get("rssi_dbm"),
                gateway,
                received_ms,
                None,
            )
            rows.append(_new(RawReading, row))
    except (ValidationError, DecodeError):
        return []
    return rows


def decode(payload: bytes, source: RecordSource) -> Decoded:
    """Read a payload of our own format.

    Unknown keys are ignored, so that a gateway may say more tomorrow than today; but a key that is nearly one of
    ours (`batery_v`, `temperature_f`) is refused, since ignoring it would drop a value that someone meant to send.

    Raises
    ------
    DecodeError : `not_json`; `no_records` for an empty list; `too_many_records`. What is wrong with one record is
    among the problems.
    """
    try:
        whole = from_json(payload)
    except ValueError as error:
        raise DecodeError("not_json", "the payload is not JSON", why=str(error)) from None
    records = whole if isinstance(whole, list) else [whole]
    check_count(len(records))
    return decode_each(records or _nothing(), _checked, source)


def _nothing() -> list[Reading]:
    raise DecodeError("no_records", "the list holds no reading", remedy="Send no message where there is none")


def _checked(record: Any, source: RecordSource) -> Reading:
    try:
        return _reading(_ONE.validate_python(record), source)
    except ValidationError as error:
        raise from_validation(error) from None


def _reading(record: Record, source: RecordSource) -> Reading:
    values: dict[str, Any] = {**record}
    if not KEYS.issuperset(record):
        _refuse_misspelt(record)
        values = {key: value for key, value in values.items() if key in KEYS}
    values["time"] = parse_rfc3339(record["time"])
    values["probe"] = source.probe
    values["gateway"] = source.gateway
    return build(values, source)


def _refuse_misspelt(record: Record) -> None:
    if len(record) > MAX_KEYS:
        raise DecodeError("bad_record", f"a record has {len(record):,} keys; {MAX_KEYS} are allowed")
    for key in record.keys() - KEYS:
        if len(key) > _LONGEST:
            continue
        meant = get_close_matches(key.lower(), KEYS, n=1, cutoff=_ALIKE)
        if meant:
            raise DecodeError(
                "misspelt_key",
                f"the key {key[:60]!r} is not known but is nearly {meant[0]!r}",
                where=key[:60],
                remedy="Correct the key at the gateway; units stand in the names and can't be chosen",
            )
