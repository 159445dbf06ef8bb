"""What all decoders share: where a payload comes from, what came out of it, and the words for what is wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any, NamedTuple

from pydantic import ValidationError

from monitord.errors import DecodeError
from monitord.model.readings import Reading


class RecordSource(NamedTuple):
    """What is known of a payload beside its bytes."""

    received_at: datetime
    """When it reached this program, UTC."""
    gateway: str | None = None
    probe: str | None = None
    retained: bool = False
    """The broker replayed it: nobody knows how long it had been kept."""

    def arrival(self) -> datetime:
        """The time of arrival, for a reading that carries no time of its own.

        Raises
        ------
        DecodeError : `no_age`, the message was retained.
        """
        if self.retained:
            raise DecodeError(
                "no_age",
                "a retained message without an absolute time has no known age",
                where="time",
                remedy="Let the sender write the time, or publish without the retain flag",
            )
        return self.received_at


class Decoded(NamedTuple):
    """What came out of one payload."""

    readings: list[Reading]
    problems: list[DecodeError]
    """One for each record that can't be understood; the others are good all the same."""


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
    records: Iterable[Any], decode: Callable[[Any, RecordSource], Reading], source: RecordSource
) -> Decoded:
    """Decode records one by one, so that a bad one does not take the others with it."""
    readings: list[Reading] = []
    problems: list[DecodeError] = []
    for number, record in enumerate(records, start=1):
        try:
            readings.append(decode(record, source))
        except DecodeError as error:
            error.where = f"record {number}" + (f", {error.where}" if error.where else "")
            problems.append(error)
    return Decoded(readings, problems)


def from_validation(error: ValidationError) -> DecodeError:
    """The first thing that pydantic has against a record, in our words."""
    first = error.errors(include_url=False, include_context=False)[0]
    key = ".".join(str(part) for part in first["loc"]) or None
    given = repr(first["input"])
    code = CODES.get(first["type"], "bad_record")
    what = f"{key} is missing" if code == "incomplete" else f"{given[:60]} will not do"
    return DecodeError(
        code,
        what,
        where=key,
        why=None if code == "incomplete" else first["msg"],
        remedy="Values are JSON numbers, ids are texts; nothing is guessed from other types",
    )
