"""What several forms and addresses say in the same way."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Annotated

from fastapi import Depends, Path, Request
from pydantic import ValidationError

from monitord.errors import JobFileError
from monitord.model.jobs import JobFile
from monitord.model.units import Units, unit_in, value_from, value_in

Episode = Annotated[int, Path(ge=1, le=2**31 - 1)]
"""Which time an alert is open, from 1; no database is asked for a number that it could not hold."""
_KEY = re.compile(r"^`[^`]+`: ")
"""Where in a file a mistake would stand; a form has no such place."""
_MAX_NAME = 80
_MAX_TEXT = 500
"""Letters of a name and of any other field; what is longer is cut."""
_AHEAD = timedelta(minutes=10)
"""How far a phone's clock may be ahead of ours before its time is refused."""


def pressed_at(text: str, now: datetime) -> datetime:
    """When a button was pressed, by the phone's clock and never later than ours; ours where the phone did not say.

    A form that was kept without signal is sent later than it was filled in.
    """
    try:
        pressed = datetime.fromisoformat(text)
        return min(pressed.astimezone(UTC), now) if pressed.tzinfo is not None else now
    except (ValueError, OverflowError):
        return now


class FormError(Exception):
    """What was typed will not do; says which field, why, and what may have been meant."""

    def __init__(self, name: str, words: str) -> None:
        self.name = name
        self.words = words
        super().__init__(words)


class Fields(dict[str, str]):
    """Names of fields to their texts; empty where there was no such field."""

    def __missing__(self, name: str) -> str:
        return ""


@dataclass(frozen=True)
class Typed:
    """What a form held, as text."""

    values: dict[str, str]
    """The last one of each name."""
    every: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """All of each name, as of boxes that are ticked."""

    def __getitem__(self, name: str) -> str:
        return self.values.get(name, "").strip()

    def named(self, field_name: str, what: str) -> str:
        """A name as people say it, in single spaces.

        Raises
        ------
        FormError : there is none, or it is too long.
        """
        name = " ".join(self[field_name].split())
        if not name or len(name) > _MAX_NAME:
            raise FormError(field_name, f"Give {what}, in at most {_MAX_NAME} letters.")
        return name

    def moment(self, name: str, zone: tzinfo) -> datetime | None:
        """A day and time, if one was typed; without an offset it is local to the zone. In UTC.

        Raises
        ------
        FormError : it is none.
        """
        if not self[name]:
            return None
        try:
            local = datetime.fromisoformat(self[name])
            return (local.replace(tzinfo=zone) if local.tzinfo is None else local).astimezone(UTC)
        except (ValueError, OverflowError):
            raise FormError(name, "Give day and time, such as 2026-12-08T07:21.") from None

    def number(self, name: str, low: float, high: float, unit: str) -> float | None:
        """A number, if one was typed.

        Raises
        ------
        FormError : it is none, or out of range.
        """
        text = self[name].replace(",", ".")
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            raise FormError(name, f"“{text}” is not a number.") from None
        if not low <= value <= high:
            raise FormError(name, f"{text} {unit} is not between {low:.4g} and {high:.4g} {unit}.")
        return value

    def measured(self, name: str, low: float, high: float, unit: str, units: Units) -> float | None:
        """A value that was typed in the reader's unit, if one was; bounds and result are in `unit`.

        Raises
        ------
        FormError : it is no number, or out of range.
        """
        typed = self.number(name, value_in(low, unit, units), value_in(high, unit, units), unit_in(unit, units))
        return None if typed is None else value_from(typed, unit, units)


def start_of(typed: Typed, job: JobFile, now: datetime) -> datetime:
    """When something was placed or set up: when the button was pressed, or what was typed, in the job's zone.

    Raises
    ------
    FormError : it is no time, ahead of the clock or before the job began.
    """
    if typed["time"] == "then":
        at = typed.moment("at", job.zone)
        if at is None:
            raise FormError("at", "Give day and time, such as 2026-12-08T07:21.")
    else:
        at = pressed_at(typed["pressed"], now)
    if at > now + _AHEAD:
        raise FormError("at", "That lies in the future: give the time at which it was done.")
    if at < job.start:
        raise FormError("at", "That is before the job began; correct the time, or the job's start.")
    return at.replace(microsecond=0)


def plain_error(error: JobFileError | ValidationError) -> str:
    """Why a change of a job was refused, and what to do, for the page of its form."""
    if isinstance(error, ValidationError):
        return f"{error.errors()[0]['msg'].removeprefix('Value error, ')}."
    return f"{_KEY.sub('', error.what)}. {error.remedy or ''}".strip()


async def _read_form(request: Request) -> Typed:
    form = await request.form()
    every = {name: [str(value)[:_MAX_TEXT] for value in form.getlist(name)] for name in form}
    return Typed(Fields({name: values[-1] for name, values in every.items()}), every)


TypedForm = Annotated[Typed, Depends(_read_form)]
"""The form of a request, as a parameter of the function that answers it."""


@contextmanager
def as_form_errors() -> Iterator[None]:
    """What a job can't hold is said as what was typed wrong, without naming a field."""
    try:
        yield
    except (JobFileError, ValidationError) as error:
        raise FormError("", plain_error(error)) from error
