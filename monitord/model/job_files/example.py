"""The example of a job file, with dates that are fresh: an old one would begin as "day 663 of drying"."""

from __future__ import annotations

import re
from datetime import date, timedelta
from importlib.resources import files

_DAY = re.compile(r"\b(\d{4})-(\d{2})-(\d{2})(?=T\d{2}:\d{2})")


def shipped_example() -> str:
    """The example as it is shipped."""
    return (files("monitord.model.job_files") / "job.example.toml").read_text(encoding="utf-8")


def fresh_example(today: date) -> str:
    """The example with all of its dates moved by whole days, so that its newest event was yesterday.

    What stands in comments may lie ahead.
    """
    text = shipped_example()
    newest = max(_day(found) for found in _DAY.finditer(text) if not _commented(text, found))
    moved = (today - timedelta(days=1)) - newest
    return _DAY.sub(lambda found: (_day(found) + moved).isoformat(), text)


def _commented(text: str, found: re.Match[str]) -> bool:
    return "#" in text[text.rfind("\n", 0, found.start()) + 1 : found.start()]


def _day(found: re.Match[str]) -> date:
    year, month, day = map(int, found.groups())
    return date(year, month, day)
