"""The command line: each command does its work, and each error is one line on standard error."""

from __future__ import annotations

import json
import os
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

import monitord
import monitord.replay.run
from monitord.cli import main
from monitord.model.config.settings_table import example_file, setting_rows
from monitord.model.job_files.files import load_job_file
from monitord.store import quarantine
from monitord.store.db.database import Database

EXAMPLE_JOB = Path(__file__).parents[3] / "config" / "job.example.toml"
BAD_JOB = Path(__file__).parents[1] / "model" / "jobfiles" / "bad" / "unknown_key.toml"


@pytest.fixture(autouse=True)
def url(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)
    address = f"sqlite:///{tmp_path}/cli.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", address)
    return address


def said(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    """Run a command; its output, or its one line of error."""
    assert main(arguments) == code
    captured = capsys.readouterr()
    if code == 0:
        assert captured.err == ""
        return captured.out
    assert captured.err.startswith("monitord: ")
    assert captured.err.count("\n") == 1
    assert "Traceback" not in captured.err
    return captured.err


def test_a_job_is_applied_once_listed_exported_and_closed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert said(capsys, "job", "apply", str(EXAMPLE_JOB)) == "quay-lane-14: created\n"
    assert said(capsys, "job", "apply", str(EXAMPLE_JOB)) == "quay-lane-14: unchanged\n"
    assert "14 Quay Lane, kitchen and hall" in said(capsys, "job", "list")
    exported = tmp_path / "again.toml"
    said(capsys, "job", "export", "quay-lane-14", "--out", str(exported))
    assert load_job_file(exported) == load_job_file(EXAMPLE_JOB)
    as_json = said(capsys, "job", "export", "quay-lane-14", "--format", "json")
    assert json.loads(as_json)["elevation_m"] == 22
    assert "closed at 2025-05-01T08:00:00Z" in said(
        capsys, "job", "close", "quay-lane-14", "--at", "2025-05-01T10:00:00+02:00"
    )
    assert tomllib.loads(said(capsys, "job", "export", "quay-lane-14"))["end"] == datetime(2025, 5, 1, 8, tzinfo=UTC)


def test_one_bad_file_among_several_applies_none_of_them(capsys: pytest.CaptureFixture[str]) -> None:
    assert "unknown key `locations[0].frsi`" in said(capsys, "job", "apply", str(EXAMPLE_JOB), str(BAD_JOB), code=1)
    assert "quay-lane-14" not in said(capsys, "job", "list")


def test_a_probe_that_is_in_another_job_refuses_the_whole_file_by_name(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    said(capsys, "job", "apply", str(EXAMPLE_JOB))
    other = tmp_path / "other.toml"
    other.write_text(EXAMPLE_JOB.read_text().replace("quay-lane-14", "quay-lane-15"))
    message = said(capsys, "job", "apply", str(other), code=1)
    assert str(other) in message
    assert "'p-301' is placed in job 'quay-lane-14'" in message
    assert "quay-lane-15" not in said(capsys, "job", "list")


@pytest.mark.parametrize("verb", ["export", "close"])
def test_a_job_that_is_not_there_is_named(capsys: pytest.CaptureFixture[str], verb: str) -> None:
    assert "there is no job 'attic'. `monitord job list`" in said(capsys, "job", verb, "attic", code=1)


def test_all_mistakes_of_all_files_are_told_at_once_and_nothing_is_applied(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    uncertain = tmp_path / "uncertain.toml"
    uncertain.write_text(EXAMPLE_JOB.read_text().replace("limit = 75, window", "limit = 0.75, window"))
    assert main(["job", "apply", str(EXAMPLE_JOB), str(BAD_JOB), str(uncertain)]) == 1
    first, *mistakes = capsys.readouterr().err.splitlines()
    assert first == "monitord: 2 mistakes; nothing was applied"
    assert mistakes[0].startswith(f"  {BAD_JOB}, entry ")
    assert mistakes[1].startswith(f"  {uncertain}, location 'screed-deep': `goal.limit`: 0.75 looks like a ratio")
    assert "quay-lane-14" not in said(capsys, "job", "list")


def test_an_example_is_printed_that_can_be_applied_at_once_and_warnings_come_with_what_was_done(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(said(capsys, "job", "example"))
    assert said(capsys, "job", "apply", str(file)) == "quay-lane-14: created\n"
    file.write_text(file.read_text().replace("depth_mm = 14\n", ""))
    assert said(capsys, "job", "apply", str(file)).splitlines() == [
        "quay-lane-14: changed",
        f"warning: {file}, location 'screed-shallow', `depth_mm`: a sleeve has none; without it its humidity has "
        "no depth to compare with a limit. Add it",
    ]


def test_the_schema_is_published(capsys: pytest.CaptureFixture[str]) -> None:
    assert json.loads(said(capsys, "job", "schema"))["title"] == "JobFile"


def test_the_settings_are_listed_printed_as_a_file_and_checked(capsys: pytest.CaptureFixture[str]) -> None:
    table = said(capsys, "settings")
    for row in setting_rows():
        assert row.name in table
    assert said(capsys, "settings", "--example") == example_file()
    assert said(capsys, "settings", "--check") == "The settings are right.\n"


def test_a_wrong_settings_file_stops_any_command(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "m.toml"
    file.write_text("[web]\nprt = 1\n")
    expected = f"monitord: {file}: unknown key `web.prt`. Did you mean `port`?\n"
    assert said(capsys, "--config", str(file), "job", "list", code=1) == expected
    monkeypatch.setenv("MONITORD_CONFIG", str(file))
    assert said(capsys, "job", "list", code=1) == expected


def test_a_database_that_can_not_be_opened_is_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///{tmp_path}/nowhere/m.sqlite3")
    assert "there is no folder for the database" in said(capsys, "job", "list", code=1)


def held(url: str, topic: str, payload: bytes) -> None:
    db = Database.open(url)
    with db.write() as conn:
        quarantine.put(conn, topic, payload, datetime(2025, 1, 1, tzinfo=UTC), "no_rule", "no rule for the topic")
    db.close()


def test_quarantine_is_listed_readably_and_released_once_a_rule_is_there(
    capsys: pytest.CaptureFixture[str], url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = b'{"time": "2025-01-01T00:00:00Z", "temperature_c": 20, "relative_humidity_pct": 50}'
    held(url, "other/p1", good)
    held(url, "other/p2", b"\x1b[31mred\xff")
    listed = said(capsys, "quarantine", "list")
    assert "other/p1" in listed
    assert "no rule for the topic" in listed
    assert "\x1b" not in listed
    assert "\\x1b[31mred\\xff" in listed
    assert listed.endswith("held: 2 no_rule\n")
    monkeypatch.setenv("MONITORD_TOPICS", '[{"pattern": "other/{probe}", "format": "reading-json"}]')
    report = said(capsys, "quarantine", "release")
    assert report.startswith("released 1: 1 new readings, 0 known ones\nstill held: ")
    assert "other/p1" not in said(capsys, "quarantine", "list")


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["dry"],
        ["job"],
        ["job", "apply"],
        ["job", "close", "a", "--at", "noon"],
        ["job", "close", "a", "--at", "2025-01-01T00:00:00"],
        ["replay", "folder"],
    ],
)
def test_wrong_words_exit_with_2_and_a_usage(capsys: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert caught.value.code == 2
    assert "usage: monitord" in capsys.readouterr().err


def test_every_command_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("run", "demo", "doctor", "job", "alert", "mute", "quarantine", "settings", "replay", "version"):
        with pytest.raises(SystemExit) as caught:
            main([command, "--help"])
        assert caught.value.code == 0
        assert f"usage: monitord {command}" in capsys.readouterr().out


def test_the_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, "version") == f"monitord {monitord.__version__}\n"


@pytest.mark.parametrize(("words", "wanted"), [(["--workers", "3"], 3), ([], os.cpu_count())])
def test_replay_takes_as_many_processes_as_it_is_told_else_one_for_each_processor(
    words: list[str], wanted: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: dict[str, object] = {}
    monkeypatch.setattr(monitord.replay.run, "run_replay", lambda *_, **named: given.update(named))
    assert main(["replay", "folder", "--out", "there", *words]) == 0
    assert given["workers"] == wanted


@pytest.mark.parametrize("number", ["0", "-1", "two", "1.5"])
def test_a_number_of_workers_that_is_none_is_refused(number: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["replay", "folder", "--out", "there", f"--workers={number}"])
    assert f"{number!r} is no number of 1 to 9999" in capsys.readouterr().err
