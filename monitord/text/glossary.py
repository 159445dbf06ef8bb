"""The glossary: one word for one thing, the field's own, with the standard that it is from where there is one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from monitord.text.catalogue import Language, language

TERMS: tuple[tuple[str, str], ...] = (
    ("location", "point monitored"),
    ("placement", "a probe at a location, from, to"),
    ("reading", "one set of values from a probe"),
    ("spot reading", "taken by hand"),
    ("control", "like material known dry (S500: dry standard)"),
    ("goal", "value at which drying is complete (S500)"),
    ("RH", "vapour pressure, % of saturation (EN ISO 9346)"),
    ("equilibrium RH", "RH of air in balance with material (ASTM F2170, BS 8203)"),
    ("sleeve", "sealed lined hole in a slab (F2170)"),
    ("settling", "first hours after sealing"),
    ("equilibrating", "sleeve approaching slab RH"),
    ("vapour pressure", "of water in air, Pa (EN ISO 9346)"),
    ("vapour-pressure difference", "location minus other air"),
    ("humidity ratio", "g water per kg dry air"),
    ("dew point", "where air saturates on cooling"),
    ("frost point", "same, over ice"),
    ("margin", "surface minus dew point, K"),
    ("temperature factor", "surface's share of indoor-outdoor difference (EN ISO 13788)"),
    ("surface RH", "at surface temperature (EN ISO 13788)"),
    ("condensation", "water at or below dew point"),
    ("mould index", "modelled, 0 to 6 (ASHRAE 160)"),
    ("wood MC", "moisture content, % of dry mass (EN 13183, ASTM D4442)"),
    ("WME", "wood scale on other material; compare only"),
    ("EMC", "MC timber settles at (Wood Handbook)"),
    ("fibre saturation", "cell walls full, 28-30 %"),
    ("uncertainty (±)", "about 95 %, k = 2 (JCGM 100)"),
    ("forecast interval", "holds the true date 4 times in 5"),
    ("cannot reach goal in this air", "not within a year"),
    ("stalled", "no progress, cause seen"),
    ("not drying", "rising, cause not known"),
    ("trend", "change a day, daily cycle removed"),
    ("excluded", "stored, shown, not used"),
    ("reference air", "room or outdoors"),
    ("cavity", "air gap in a wall"),
    ("subfloor void", "air under a floor"),
    ("air change", "room volumes an hour"),
    ("calibration check", "against known RH (salts: ASTM E104)"),
    ("acknowledged", "someone deals with it"),
    ("muted", "no messages, alert open"),
    ("paused", "no alerts, recording on"),
    ("signed off", "confirmed by a named person"),
)

TITLE = "Glossary"


@dataclass(frozen=True)
class Entry:
    """One term."""

    term: str
    meaning: str
    anchor: str
    """Name of its place on a page, the same in every language: `dew-point`."""


def entries(language: Language) -> tuple[Entry, ...]:
    """The glossary in a language, in the order of the work: place, value, state."""
    return tuple(Entry(language.text(term), language.text(meaning), _anchor(term)) for term, meaning in TERMS)


def as_markdown(language: Language) -> str:
    """The glossary as a page of the documentation."""
    rows = [f"| {entry.term} | {entry.meaning} |" for entry in entries(language)]
    head = [f"# {language.text(TITLE)}", "", _ABOUT, "", "| word | meaning |", "| --- | --- |"]
    return "\n".join([*head, *rows, ""])


_ABOUT = """One word for one thing, on pages, in messages and in the code, with its standard where there is one. Written
by `python -m monitord.text.glossary`."""


def _anchor(term: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", term.lower()).strip("-")


MESSAGES = (TITLE, *(text for pair in TERMS for text in pair))

PAGE = Path(__file__).with_name("GLOSSARY.md")

if __name__ == "__main__":
    PAGE.write_text(as_markdown(language()), encoding="utf-8")
