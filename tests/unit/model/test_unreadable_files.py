"""Texts that end a parser by something else than its own error, in each file that people write."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitord.alerts.lifecycle.rule_files import rule_book
from monitord.errors import ConfigurationError, JobFileError
from monitord.ingest.dry_run import rules_from
from monitord.ingest.logger_files.column_mapping import load_mapping
from monitord.model.config.settings import load_settings
from monitord.model.job_files.files import parse_job
from monitord.model.readiness.criteria_files import parse_criteria

NESTED = "x = " + "[" * 20_000
LONG = "x = 1" + "0" * 5_000


def _by_path(read: Callable[[Path], object]) -> Callable[[str, Path], object]:
    def parse(text: str, path: Path) -> object:
        path.write_text(text, encoding="utf-8")
        return read(path)

    return parse


READERS: dict[str, Callable[[str, Path], object]] = {
    "job": lambda text, _: parse_job(text, "toml", "f"),
    "job as JSON": lambda text, _: parse_job(text.removeprefix("x = "), "json", "f"),
    "criteria": lambda text, _: parse_criteria(text, "f"),
    "topics": lambda text, _: rules_from(text, "f"),
    "settings": _by_path(load_settings),
    "columns": _by_path(load_mapping),
    "rules": _by_path(rule_book),
}


@pytest.mark.parametrize("text", [NESTED, LONG], ids=["nested", "long"])
@pytest.mark.parametrize("reader", READERS)
def test_what_ends_a_parser_is_a_mistake_of_the_file(reader: str, text: str, tmp_path: Path) -> None:
    with pytest.raises((ConfigurationError, JobFileError)) as caught:
        READERS[reader](text, tmp_path / "f")
    assert caught.value.where.endswith("f")
    assert caught.value.remedy
