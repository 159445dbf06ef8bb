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

_DRAWING, _DRAWN = '<div class="drawing">', "</div>"
"""Around a chart: it holds no label, and nine tenths of a page's tags."""
_CLOSED = ("a", "button", "summary", "label", "option", "script", "nav")
"""Nothing inside these can be a link of its own."""
_LABEL = re.compile(
    r'(?P<opening><(?:dt|h2|h3|caption)\b[^>]*>|<th scope="col"[^>]*>|<span class="state [^>]*>(?:<svg\b.*?</svg>)?)'
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
    anchors, pieces = dict(_anchors(language)), []
    text, *drawn = body.split(_DRAWING)
    pieces.append(_linked(text, anchors))
    for part in drawn:
        drawing, _, text = part.partition(_DRAWN)
        pieces += [_DRAWING, drawing, _DRAWN, _linked(text, anchors)]
    return f"{head}{main}{''.join(pieces)}{end}{foot}"


def _linked(text: str, anchors: dict[str, str]) -> str:
    """A part of the page; the anchors that it leads to are taken away."""

    def seen(found: re.Match[str]) -> str:
        words = found["words"]
        anchor = anchors.get(words.strip().lower())
        if anchor is None or _is_closed(text, found.start()):
            return found[0]
        for name in [name for name, to in anchors.items() if to == anchor]:
            del anchors[name]
        return f'{found["opening"]}<a class="term" href="/glossary#{anchor}">{words}</a>'

    return _LABEL.sub(seen, text)


def _is_closed(text: str, at: int) -> bool:
    """Whether a place is inside an element that may hold no link."""
    for name in _CLOSED:
        opened = max(text.rfind(f"<{name}{after}", 0, at) for after in " >")
        if opened > text.rfind(f"</{name}>", 0, at):
            return True
    return False


@lru_cache(maxsize=8)
def _anchors(language: Language) -> tuple[tuple[str, str], ...]:
    """Each label in small letters, with the anchor of its meaning."""
    terms = [(re.sub(r" \(.*\)", "", entry.term).lower(), entry.anchor) for entry in entries(language)]
    plurals = [(f"{term}s", anchor) for term, anchor in terms]
    return (*_LABELS.items(), *plurals, *terms)
