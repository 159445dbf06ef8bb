"""Words that the program does not say any more: one word for one thing, the trade's own (monitord/text/GLOSSARY.md)."""

from __future__ import annotations

import re
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
    r"% sure", r"drying by .* a day", r"taken on by", r"look first",
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


def test_a_retired_word_is_found(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("<p>Look this week; condensing is 92 % sure.</p>")
    assert found(page, RETIRED) == ["look this week", "% sure"]
