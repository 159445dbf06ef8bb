"""What the words of several commands share: times, spans, endings, and how a command finds the part that does it."""

from __future__ import annotations

import re
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from importlib import import_module
from typing import NamedTuple, cast


class Command(NamedTuple):
    """The function that carries out a command, imported only when the command runs.

    So that `monitord --help` need not load the database, the numerics and everything else.
    """

    module: str
    """Name of the module in `monitord.cli`."""
    function: str
    """Name of its function, from parsed words to the exit code."""

    def load(self) -> Callable[[Namespace], int]:
        """The function itself."""
        return cast(Callable[[Namespace], int], getattr(import_module(f"monitord.cli.{self.module}"), self.function))

    def __call__(self, parsed: Namespace) -> int:
        """Carry the command out; the exit code."""
        return self.load()(parsed)


def time_argument(text: str) -> datetime:
    """A time with an offset, as an argument of a command; in UTC.

    Raises
    ------
    ArgumentTypeError : it is none, or has no offset.
    """
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is no time; write one such as 2025-03-01T10:00:00Z") from None
    if time.tzinfo is None:
        raise ArgumentTypeError(f"{text!r} has no offset; write Z for UTC, or one such as +02:00")
    return time.astimezone(UTC)


def span_argument(text: str) -> timedelta:
    """A length of time such as `30min`, `4h` or `2d`, as an argument of a command.

    Raises
    ------
    ArgumentTypeError : it is none.
    """
    found = re.fullmatch(r"(\d{1,4})(min|h|d)", text)
    if found is None or int(found[1]) == 0:
        raise ArgumentTypeError(f"{text!r} is no length of time; write one such as 30min, 4h or 2d")
    return int(found[1]) * {"min": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}[found[2]]


def count_argument(text: str) -> int:
    """A number of at least 1, as an argument of a command.

    Raises
    ------
    ArgumentTypeError : it is none.
    """
    if not re.fullmatch(r"[1-9]\d{0,3}", text):
        raise ArgumentTypeError(f"{text!r} is no number of 1 to 9999")
    return int(text)


def add_ending(parser: ArgumentParser, *, required: bool) -> None:
    """Two ways to say when something ends: `--until TIME` or `--for SPAN`."""
    ending = parser.add_mutually_exclusive_group(required=required)
    ending.add_argument("--until", type=time_argument, metavar="TIME", help="its end, such as 2025-03-01T10:00:00Z")
    ending.add_argument("--for", dest="span", type=span_argument, metavar="SPAN", help="such as 30min, 4h or 2d")


def add_units(parser: ArgumentParser) -> None:
    """`--units`, for a command that prints or writes numbers for people; what programs read stays SI."""
    parser.add_argument("--units", choices=("metric", "us"), help="what numbers are shown in; default: web.units")
