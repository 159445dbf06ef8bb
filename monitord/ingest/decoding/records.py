"""What all decoders share: where a payload comes from, what came out of it, and the words for what is wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from pydantic import TypeAdapter, ValidationError

from monitord.errors import DecodeError
from monitord.model.readings import Identifier, Reading

_IDENTIFIER: TypeAdapter[str] = TypeAdapter(Identifier)


NO_AGE = "no_age"
"""The reason code of a message without an absolute time that may have waited: no release tells its age."""


class RecordSource(NamedTuple):
    """What is known of a payload beside its bytes."""

    received_at: datetime
    """When it reached this program, UTC."""
    gateway: str | None = None
    probe: str | None = None
    retained: bool = False
    """The broker replayed it: nobody knows how long it had been kept."""
    delayed: bool = False
    """It came in the backlog after a connect: nobody knows how long it had waited."""
    levels: Mapping[str, str] = {}
    """The topic's levels that the rule's pattern names."""

    def arrival(self) -> datetime:
        """The time of arrival, for a reading that carries no time of its own.

        Raises
        ------
        DecodeError : `no_age`, the message was retained, or may have waited.
        """
        if self.delayed:
            raise DecodeError(
                NO_AGE,
                "a message without an absolute time came in the backlog after a connect, so that it may have waited",
                where="time",
                remedy="Let the sender write the time; else nothing is to be done, the next message is taken",
            )
        if self.retained:
            raise DecodeError(
                NO_AGE,
                "a retained message without an absolute time has no known age",
                where="time",
                remedy="Let the sender write the time, or publish without the retain flag",
            )
        return self.received_at


MAX_RECORDS = 5_000
"""Readings in one message at most: a backlog of seven weeks at one every quarter of an hour. Our choice: a list of this
many, all bad, takes a third of a second."""
MAX_PROBLEMS = 20
"""Records of a message whose errors are kept; further bad ones are only counted. Our choice."""
MAX_KEYS = 64
"""Keys of one record at most; we know seven. Our choice."""


class Half(NamedTuple):
    """Temperature or humidity alone, with what came beside it: a reading once the other half is here."""

    values: dict[str, Any]
    """The fields of a reading, among them `probe` and `time`, and one of the two quantities."""
    within_s: float
    """How far in time the other half may be. [s]"""


class Decoded(NamedTuple):
    """What came out of one payload."""

    readings: list[Reading]
    problems: list[DecodeError]
    """For records that can't be understood, the first `MAX_PROBLEMS` of them; the others are good all the same."""
    bad: int = 0
    """How many records can't be understood."""
    halves: Sequence[Half] = ()
    """Halves of readings, by rules that join two messages."""


CODES = {
    "missing": "incomplete",
    "finite_number": "not_finite",
    "float_type": "bad_value",
    "string_type": "bad_value",
    "string_pattern_mismatch": "bad_value",
}
"""Reasons of quarantine for pydantic's types of error; any other is `bad_record`."""


def build(values: dict[str, Any], source: RecordSource) -> Reading:
    """A reading from its fields, which are completed here with the time of arrival.

    Raises
    ------
    DecodeError : a field is missing, of the wrong type, or not finite.
    """
    values["received_at"] = source.received_at
    try:
        return Reading.model_validate(values)
    except ValidationError as error:
        raise from_validation(error) from None


def decode_each(
    records: Iterable[Any], decode: Callable[[Any, RecordSource], Reading | Half], source: RecordSource
) -> Decoded:
    """Decode records one by one, so that a bad one does not take the others with it."""
    readings: list[Reading] = []
    halves: list[Half] = []
    problems: list[DecodeError] = []
    bad = 0
    for number, record in enumerate(records, start=1):
        try:
            found = decode(record, source)
            if isinstance(found, Half):
                halves.append(found)
            else:
                readings.append(found)
        except DecodeError as error:
            bad += 1
            if bad <= MAX_PROBLEMS:
                error.where = f"record {number}" + (f", {error.where}" if error.where else "")
                problems.append(error.with_traceback(None))  # which would hold the record
    return Decoded(readings, problems, bad, halves)


def checked_probe(probe: object) -> str:
    """The text as a probe's id.

    Raises
    ------
    DecodeError : `bad_probe`.
    """
    try:
        return _IDENTIFIER.validate_python(probe, strict=True)
    except ValidationError:
        raise DecodeError(
            "bad_probe",
            f"{short(probe, 140)} can't be a probe's id",
            where="probe",
            why="an id is 1 to 128 characters, without spaces and without / + #, and does not begin with $",
            remedy="Give the probe another id at its gateway, or the rule's mapping `replace_in_ids`",
        ) from None


def check_count(count: int, most: int = MAX_RECORDS) -> None:
    """Refuse a list of more than `most` records before any of them is looked at.

    Raises
    ------
    DecodeError : `too_many_records`.
    """
    if count > most:
        raise DecodeError(
            "too_many_records",
            f"{count:,} records in one message; {most:,} are allowed",
            remedy="Let the sender publish its backlog in several messages",
        )


def short(value: object, most: int = 60) -> str:
    """A value for a message, whatever its size: large numbers and collections are named instead of written out."""
    if isinstance(value, str | bytes):
        return repr(value) if len(value) <= most else repr(value[: most - 3]) + "..."
    if isinstance(value, int) and value.bit_length() > 128:
        return f"an integer of {value.bit_length():,} bits"
    if value is None or isinstance(value, bool | int | float):
        return repr(value)
    if isinstance(value, list | tuple | dict | set | frozenset):
        return f"a {'record' if isinstance(value, dict) else 'list'} of {len(value):,}"
    return f"a {type(value).__name__}"


def from_validation(error: ValidationError) -> DecodeError:
    """The first thing that pydantic has against a record, in our words."""
    first = error.errors(include_url=False, include_context=False)[0]
    key = ".".join(str(part) for part in first["loc"]) or None
    code = CODES.get(first["type"], "bad_record")
    what = f"{key} is missing" if code == "incomplete" else f"{short(first['input'])} will not do"
    return DecodeError(
        code,
        what,
        where=key,
        why=None if code == "incomplete" else first["msg"],
        remedy="Values are JSON numbers, ids are texts; nothing is guessed from other types",
    )
