"""Terms of the glossary on a page lead to it: at the first use of each as a heading, a label or a state."""

from __future__ import annotations

import re
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

_DRAWING = re.compile(r'(<div class="drawing">.*?</div>)', re.DOTALL)
"""A chart: it holds no label, and nine tenths of a page's tags."""
_CLOSED = "a|button|summary|label|option|script|nav"
"""Nothing inside these can be a link of its own."""
_PIECE = re.compile(
    rf"<(?P<end>/?)(?:{_CLOSED})\b[^>]*>"
    r'|(?P<opening><(?:dt|h2|h3|caption)\b[^>]*>|<th scope="col"[^>]*>|<span class="state [^>]*>(?:<svg\b.*?</svg>)?)'
    r"(?P<words>[^<]+)",
    re.DOTALL,
)
"""Where labels stand that are the program's own words; names that people gave stand elsewhere, or hold more."""


def link_terms(page: str, language: Language) -> str:
    """A page with a link from each term's first label to its meaning.

    Parameters
    ----------
    page : HTML whose texts and attributes are escaped, so that `<` and `>` stand only around tags.
    """
    head, main, rest = page.partition("<main")
    body, end, foot = rest.partition("</main>")
    if not end:
        return page
    linker = _Linker(dict(_anchors(language)))
    parts = _DRAWING.split(body)
    parts[::2] = [_PIECE.sub(linker.seen, part) for part in parts[::2]]
    return f"{head}{main}{''.join(parts)}{end}{foot}"


class _Linker:
    """Links labels piece by piece, in the order of the page."""

    def __init__(self, anchors: dict[str, str]) -> None:
        self._anchors = anchors
        self._depth = 0
        """How many elements are open that may hold no link."""

    def seen(self, found: re.Match[str]) -> str:
        """A piece as it stands on the page."""
        words = found["words"]
        if words is None:
            self._depth += -1 if found["end"] else 1
            return found[0]
        label = words.strip().lower()
        anchor = None if self._depth else self._anchors.get(label)
        if anchor is None:
            return found[0]
        self._anchors = {name: to for name, to in self._anchors.items() if to != anchor}
        return f'{found["opening"]}<a class="term" href="/glossary#{anchor}">{words}</a>'


@lru_cache(maxsize=8)
def _anchors(language: Language) -> tuple[tuple[str, str], ...]:
    """Each label in small letters, with the anchor of its meaning."""
    terms = [(re.sub(r" \(.*\)", "", entry.term).lower(), entry.anchor) for entry in entries(language)]
    plurals = [(f"{term}s", anchor) for term, anchor in terms]
    return (*_LABELS.items(), *plurals, *terms)
