"""The glossary: its page is written from the catalogue, and each term has a place of its own."""

from __future__ import annotations

from monitord.text.catalogue import language
from monitord.text.glossary import PAGE, TERMS, as_markdown, entries


def test_the_page_of_the_documentation_is_what_the_catalogue_says() -> None:
    """Write it anew with `python -m monitord.text.glossary`."""
    assert PAGE.read_text(encoding="utf-8") == as_markdown(language())


def test_each_term_has_a_place_of_its_own_in_every_language() -> None:
    anchors = [entry.anchor for entry in entries(language())]
    assert len(set(anchors)) == len(TERMS) > 40
    assert [entry.anchor for entry in entries(language("de"))] == anchors
    assert "dew-point" in anchors
    assert "uncertainty" in anchors


def test_german_has_its_own_words() -> None:
    said = {entry.anchor: entry.term for entry in entries(language("de"))}
    assert (said["dew-point"], said["wood-mc"]) == ("Taupunkt", "Holzfeuchte")
