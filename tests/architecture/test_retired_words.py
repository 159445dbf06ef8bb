"""Words that the program does not say any more: one word for one thing, the trade's own (monitord/text/GLOSSARY.md)."""

from __future__ import annotations

import io
import re
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2] / "monitord"

MESSAGES = (
    *sorted((ROOT / "text").glob("*.py")),
    *sorted((ROOT / "text").glob("*.md")),
    *sorted((ROOT / "alerts" / "messages" / "templates").glob("*.j2")),
    ROOT / "replay" / "REPLAY.md",
)
"""What people read in messages and from the catalogue."""

PAGES = (
    *sorted((ROOT / "web" / "templates").glob("*.html")),
    *sorted((ROOT / "web").rglob("*.py")),
    ROOT / "analysis" / "STATES.md",
)

GUIDES = (
    ROOT / "alerts" / "GUIDE.md",
    *sorted((ROOT / "analysis").glob("*.md")),
    *sorted((ROOT / "model").glob("*.toml")),
    *sorted((ROOT / "model" / "config").glob("*.py")),
    *sorted((ROOT.parent / "config").rglob("*.toml")),
)
"""What people read in guides and in the comments of the files that they write."""

RETIRED = (
    r"act now", r"act today", r"look this week", r"for your notice", r"good news", r"i take it on", r"drive lost",
    r"drying drive", r"past the clear limit", r"usual in a day", r"never at goal", r"wet enough to decay",
    r"% sure", r"drying by .* a day", r"taken on by", r"look first", r"\bdoubt", r"stands at[<\"']",
    r"[>'\"]says[<'\"]", r"out of every verdict", r"would dry it", r"nobody has been told",
    r"\btold to\b", r"owed a word", r"\brail\b", r"\bof late\b", r"\bthe airs\b",
)  # fmt: skip
"""Gone from pages and messages."""

RETIRED_FROM_MESSAGES = (
    *RETIRED,
    r"\bdoubt",
    r"\bairs\b",
    r"\bmaker",
    r"\bmend",
    r"\bwatched\b",
    r"out of every verdict",
)
"""Gone from messages and the catalogue as well."""


CODE = tuple(
    path
    for room in ("monitord", "simulators", "tests")
    for path in sorted((ROOT.parent / room).rglob("*.py"))
    if "versions" not in path.parts  # a migration keeps the words of its day
)

RETIRED_NAMES = re.compile(
    r"_?(here|around(_\w+)?|judge(_\w+)?|(\w+_)?memory_(h|u)|doubts?|rails?"
    r"|last_heard(_s)?|heard_(at|probes|of)|hollow_\w+)",
    re.IGNORECASE,
)
"""Names that the code does not give any more: the thing itself is named instead."""


def names_in(source: str) -> set[str]:
    """Every name in a Python source; comments and texts are no names."""
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    return {token.string for token in tokens if token.type == tokenize.NAME}


def found(path: Path, retired: tuple[str, ...]) -> list[str]:
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        text = re.sub(r"\{[^{}\n]*\}", "", text)  # names of slots are not said
        text = "\n".join(re.findall(r'"((?:[^"\\\n]|\\.)*)"', text))  # what is said, not what is named
    return [word for word in retired if re.search(word, text, flags=re.IGNORECASE)]


@pytest.mark.parametrize("path", MESSAGES, ids=lambda path: path.name)
def test_no_message_uses_a_retired_word(path: Path) -> None:
    assert found(path, RETIRED_FROM_MESSAGES) == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_no_page_uses_a_retired_word(path: Path) -> None:
    assert found(path, RETIRED) == []


@pytest.mark.parametrize("path", GUIDES, ids=lambda path: path.name)
def test_no_guide_and_no_comment_of_a_file_to_write_uses_a_retired_word(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert [word for word in RETIRED_FROM_MESSAGES if re.search(word, text, flags=re.IGNORECASE)] == []


def test_no_code_uses_a_retired_name() -> None:
    wrong = {
        path: names for path in CODE if (names := set(filter(RETIRED_NAMES.fullmatch, names_in(path.read_text()))))
    }
    assert wrong == {}


def test_a_retired_name_is_found() -> None:
    assert list(filter(RETIRED_NAMES.fullmatch, names_in("def judge_goal(series): return 'here'  # around"))) == [
        "judge_goal"
    ]


def test_a_retired_word_is_found(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("<p>Look this week; condensing is 92 % sure.</p>")
    assert found(page, RETIRED) == ["look this week", "% sure"]
