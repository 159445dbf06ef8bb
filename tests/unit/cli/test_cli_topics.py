"""`monitord topics try`: what rules make of a message, and a draft for what none takes."""

from __future__ import annotations

import json
import os
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitord.cli import main
from monitord.ingest.decoding.decode import decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.dry_run import draft
from monitord.model.config.broker import TopicRule

NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)
RULES = """
[[topics]]
pattern = "up/{probe}"
format = "mapped-json"
when = "t"
[topics.mapping]
time_format = "arrival"
temperature_c = { path = "t" }
relative_humidity_pct = { path = "h" }
"""


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)


def tried(capsys: pytest.CaptureFixture[str], folder: Path, topic: str, payload: bytes, code: int = 0) -> str:
    (folder / "payload").write_bytes(payload)
    (folder / "rules.toml").write_text(RULES)
    words = ("topics", "try", "--topic", topic, "--payload", str(folder / "payload"))
    assert main([*words, "--rules", str(folder / "rules.toml")]) == code
    captured = capsys.readouterr()
    assert captured.err == ""
    return captured.out


def test_each_step_is_shown(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    told = tried(capsys, tmp_path, "up/p7", b'{"t": 18.2, "h": 61.5}')
    for words in ("up/{probe}", "level {probe}  p7", "when", "18.2", "probe p7", "relative_humidity_pct 61.5"):
        assert words in told


def test_what_is_no_reading_and_what_is_held_say_so(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert "passed over" in tried(capsys, tmp_path, "up/p7", b'{"door": "open"}')
    held = tried(capsys, tmp_path, "up/p7", b'{"t": 18.2}', code=1)
    assert "held: " in held
    assert "no value for relative_humidity_pct" in held
    assert "held: " in tried(capsys, tmp_path, "up/p7", b'{"t": \x1b[31m', code=1)
    assert "status" in tried(capsys, tmp_path, "monitord/g/p/status", b"offline")


def test_control_characters_do_not_reach_the_terminal(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    told = tried(capsys, tmp_path, "up/p\x1b[31m", b'{"t": 1, "h": "\\u001b[31m"}', code=1)
    assert "\x1b" not in told.partition("\n")[2]


def test_a_topic_without_a_rule_gets_a_draft(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    payload = {"device": {"serial": "a7"}, "data": {"Temperature": 18.2, "rh": 61.5}, "ts": 1740823200000}
    told = tried(capsys, tmp_path, "mill/attic-7/up", json.dumps(payload).encode(), code=1)
    assert "no rule" in told
    text = "\n".join(line.removeprefix("    ") for line in told.partition("before you use it:\n")[2].splitlines())
    (rule,) = tomllib.loads(text)["topics"]
    (reading,) = decode(
        "mill/attic-7/up", json.dumps(payload).encode(), NOW, TopicRules([TopicRule.model_validate(rule)])
    ).readings
    assert (reading.probe, reading.temperature_c, reading.relative_humidity_pct) == ("attic-7", 18.2, 61.5)
    assert reading.time == datetime(2025, 3, 1, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    "payload", [b"", b"on", b"[1]", b'{"temperature": 18.2}', b'{"temperature": "x", "humidity": 1}']
)
def test_no_draft_is_made_of_what_it_would_not_take(payload: bytes) -> None:
    assert draft("a/b", payload, NOW) is None


def test_a_draft_quotes_strange_names_and_falls_back_to_the_arrival() -> None:
    text = draft("a/b", b'{"air:0": {"tC": 1, "rh": 2}, "time": "soon"}', NOW)
    assert text is not None
    (rule,) = tomllib.loads(text)["topics"]
    assert rule["mapping"]["time_format"] == "arrival"
    assert rule["mapping"]["temperature_c"]["path"] == '"air:0".tC'


def test_rules_that_can_not_be_used_are_one_line_of_error(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text('[[topics]]\npattern = "a"\n')
    words = ["topics", "try", "--topic", "a", "--payload", str(tmp_path / "none")]
    for arguments in (words, [*words, "--rules", str(tmp_path / "rules.toml")]):
        assert main(arguments) != 0
        error = capsys.readouterr().err
        assert error.startswith("monitord: ")
        assert error.count("\n") == 1
