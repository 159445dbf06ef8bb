"""Terms of the glossary on a page lead to it: at the first use of each as a heading, a label or a state."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache

from monitord.text.catalogue import Language
from monitord.text.glossary import entries

_LABELS = {
    "relative humidity": "rh",
    "humidity": "rh",
    "water in the air": "humidity-ratio",
    "change per day": "trend",
    "at goal": "goal",
    "goal out of reach": "cannot-reach-goal-in-this-air",
    "condensation likely": "condensation",
    "dry, 4 times in 5": "forecast-interval",
    "timber": "wood-mc",
}
"""Labels of pages that mean a term of the glossary, to the anchor of that term."""

_TAG = re.compile(r"(<[^>]*>)")
_NAME = re.compile(r"</?(\w+)")
_LINKING = re.compile(r'<(?:dt|h2|h3|caption)\b|<th scope="col"|<span class="state ')
"""Where labels stand that are the program's own words; names that people gave stand elsewhere, or hold more."""
_CLOSED = frozenset({"a", "button", "summary", "label", "option", "script", "nav"})
"""Nothing inside these can be a link of its own."""
_VOID = frozenset({"br", "img", "input", "hr", "link", "meta", "use", "path", "rect"})


def link_terms(page: str, language: Language) -> str:
    """A page with a link from each term's first label to its meaning.

    Parameters
    ----------
    page : HTML whose texts and attributes are escaped, so that `<` and `>` stand only around tags.
    """
    head, main, rest = page.partition("<main")
    body, end, foot = rest.partition("</main>")
    return f"{head}{main}{''.join(_linked(body, dict(_anchors(language))))}{end}{foot}" if end else page


def _linked(body: str, anchors: dict[str, str]) -> Iterator[str]:
    opened: list[tuple[str, bool]] = []  # each open element: its name, and whether it holds a label
    used: set[str] = set()
    for piece in _TAG.split(body):
        if piece.startswith("<"):
            _follow(piece, opened)
        elif opened and opened[-1][1] and not any(name in _CLOSED for name, _ in opened):
            anchor = anchors.get(piece.strip().lower())
            if anchor is not None and anchor not in used:
                used.add(anchor)
                yield f'<a class="term" href="/glossary#{anchor}">{piece}</a>'
                continue
        yield piece


def _follow(tag: str, opened: list[tuple[str, bool]]) -> None:
    """Keep the list of open elements true past one tag; an element that HTML lets stay open ends with its parent."""
    found = _NAME.match(tag)
    if found is None or tag.endswith("/>") or found[1] in _VOID:
        return
    if not tag.startswith("</"):
        opened.append((found[1], _LINKING.match(tag) is not None))
    elif any(name == found[1] for name, _ in opened):
        while opened.pop()[0] != found[1]:
            pass


@lru_cache(maxsize=8)
def _anchors(language: Language) -> tuple[tuple[str, str], ...]:
    """Each label in small letters, with the anchor of its meaning."""
    terms = [(re.sub(r" \(.*\)", "", entry.term).lower(), entry.anchor) for entry in entries(language)]
    plurals = [(f"{term}s", anchor) for term, anchor in terms]
    return (*_LABELS.items(), *plurals, *terms)
