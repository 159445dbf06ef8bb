"""What several commands need: settings, the database, and a table on the screen."""

from __future__ import annotations

import os
import re
import sys
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rich.console import Console
from rich.table import Table

from monitord.model.config.settings import CONFIG_VARIABLE, Settings, load_settings
from monitord.store.db.database import Database

_PIPED_WIDTH = 240
"""Columns of a table that is piped into a file or another program, so that nothing is cut."""


def settings_of(parsed: Namespace) -> Settings:
    """The settings that the command line and the environment ask for."""
    named = parsed.config or os.environ.get(CONFIG_VARIABLE)
    return load_settings(Path(named) if named else None)


@contextmanager
def database_of(parsed: Namespace) -> Iterator[Database]:
    """The database of the settings, opened, migrated, and closed again."""
    database = Database.open(settings_of(parsed).database.url)
    try:
        yield database
    finally:
        database.close()


def out(text: str) -> None:
    """One line on standard output."""
    sys.stdout.write(f"{text}\n")


def show_table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table without frame, whole lines when piped."""
    console = Console() if sys.stdout.isatty() else Console(width=_PIPED_WIDTH)
    table = Table(*columns, box=None, pad_edge=False, header_style="bold")
    for row in rows:
        table.add_row(*row)
    console.print(table, markup=False)


def show_time(time: datetime | None) -> str:
    """A time in UTC, to the second; a dash for none."""
    return "-" if time is None else time.strftime("%Y-%m-%dT%H:%M:%SZ")


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


def add_ending(parser: ArgumentParser, *, required: bool) -> None:
    """Two ways to say when something ends: `--until TIME` or `--for SPAN`."""
    ending = parser.add_mutually_exclusive_group(required=required)
    ending.add_argument("--until", type=time_argument, metavar="TIME", help="its end, such as 2025-03-01T10:00:00Z")
    ending.add_argument("--for", dest="span", type=span_argument, metavar="SPAN", help="such as 30min, 4h or 2d")


def ending_of(parsed: Namespace, start: datetime) -> datetime | None:
    """The end that was given, if one was."""
    until: datetime | None = parsed.until
    span: timedelta | None = parsed.span
    return start + span if span is not None else until
