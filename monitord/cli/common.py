"""What several commands need: settings, the database, and a table on the screen."""

from __future__ import annotations

import getpass
import os
import sys
from argparse import Namespace
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy import Connection

from monitord.clock import SystemClock
from monitord.model.config.settings import CONFIG_VARIABLE, Settings, load_settings
from monitord.model.units import Units, unit_in, value_in
from monitord.store.access import audit
from monitord.store.db.database import Database
from monitord.store.series.keeping import open_store

_PIPED_WIDTH = 240
"""Columns of a table that is piped into a file or another program, so that nothing is cut."""


def settings_of(parsed: Namespace) -> Settings:
    """The settings that the command line and the environment ask for."""
    named = parsed.config or os.environ.get(CONFIG_VARIABLE)
    return load_settings(Path(named) if named else None)


@contextmanager
def database_of(parsed: Namespace) -> Iterator[Database]:
    """The database of the settings, opened, migrated, and closed again."""
    database = open_store(settings_of(parsed))
    try:
        yield database
    finally:
        database.close()


def note(conn: Connection, what: str, job: str | None = None, detail: str = "") -> None:
    """Keep on record what a command has just changed, in the transaction of the change."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):  # a user that the system has no name for
        user = f"user {os.getuid()}"
    audit.record(conn, SystemClock().now(), f"{user}, command line", what, job=job, detail=detail)


def out(text: str) -> None:
    """One line on standard output."""
    sys.stdout.write(f"{text}\n")


def show_table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table without frame, whole lines when piped."""
    from rich.console import Console  # loads a good deal, which `run` has no need of
    from rich.table import Table

    console = Console() if sys.stdout.isatty() else Console(width=_PIPED_WIDTH)
    table = Table(*columns, box=None, pad_edge=False, header_style="bold")
    for row in rows:
        table.add_row(*row)
    console.print(table, markup=False)


def show_time(time: datetime | None) -> str:
    """A time in UTC, to the second; a dash for none."""
    return "-" if time is None else time.strftime("%Y-%m-%dT%H:%M:%SZ")


def units_of(parsed: Namespace, settings: Settings) -> Units:
    """What a person reads numbers in: as the command says, else as the dashboard shows them."""
    return Units(parsed.units) if parsed.units is not None else settings.web.units


def shown_in(value: float, unit: str, units: Units) -> str:
    """`54.5 °F`: a value that is stated without an uncertainty, in the reader's units."""
    return f"{value_in(value, unit, units):.4g} {unit_in(unit, units)}"


def ending_of(parsed: Namespace, start: datetime) -> datetime | None:
    """The end that was given, if one was."""
    until: datetime | None = parsed.until
    span: timedelta | None = parsed.span
    return start + span if span is not None else until
