"""The command line answers `--help` without loading the program: it imports what a command needs when it runs."""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Iterator

import pytest

from monitord.cli.parsers.arguments import Command
from monitord.cli.parsers.build import build_parser
from monitord.cli.parsers.mutes import LABELS
from monitord.model.messages import MatchLabel

HEAVY = ("numpy", "scipy", "pydantic", "sqlalchemy", "fastapi", "rich", "apprise", "paho")
LIGHT_PARTS = {"monitord", "monitord.errors", "monitord.cli", "monitord.cli.version"}
LOOK = """
import sys
from monitord.cli import main
try:
    main(sys.argv[1:])
except SystemExit:
    pass
sys.stderr.write("\\n".join(sys.modules))
"""


def parsers_of(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for child in action.choices.values():
                yield from parsers_of(child)


COMMANDS = [found for parser in parsers_of(build_parser()) if (found := parser.get_default("run")) is not None]


@pytest.mark.parametrize(
    "words", [["--help"], ["version"], ["job", "--help"], ["mute", "add", "--help"], ["run", "-h"]]
)
def test_help_and_version_import_neither_the_program_nor_its_libraries(words: list[str]) -> None:
    done = subprocess.run([sys.executable, "-c", LOOK, *words], capture_output=True, text=True, check=True, timeout=60)
    modules = set(done.stderr.splitlines())
    assert "monitord.cli.parsers.build" in modules  # it did look
    assert done.stdout
    assert not [name for name in modules if name.split(".")[0] in HEAVY]
    ours = {name for name in modules if name.split(".")[0] == "monitord" and "monitord.cli.parsers" not in name}
    assert ours <= LIGHT_PARTS


def test_a_start_of_the_daemon_waits_for_no_library_that_only_some_jobs_need() -> None:
    """Taking readings in waits for no other part; and these load nothing that few need."""
    parts = "monitord.pipeline, monitord.web.app, monitord.alerts.notifier"
    look = f"import sys, monitord.daemon.process; print(*sys.modules); import {parts}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True, timeout=60)
    first, all_loaded = (set(line.split()) for line in done.stdout.splitlines())
    assert "monitord.ingest.writer" in first  # it did look
    assert not first & {"monitord.analysis", "monitord.web", "scipy", "fastapi", "jinja2", "requests", "rich"}
    assert "monitord.analysis.assess" in all_loaded
    assert not all_loaded & {"scipy.stats", "scipy.signal", "apprise", "icalendar"}


def test_every_command_finds_its_function() -> None:
    assert len(COMMANDS) >= 20
    for command in COMMANDS:
        assert isinstance(command, Command)
        assert callable(command.load())


def test_a_mute_may_name_every_label() -> None:
    assert set(LABELS) == {label.value for label in MatchLabel}
