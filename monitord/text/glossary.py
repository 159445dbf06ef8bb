"""The glossary: one word for one thing, the field's own, with the standard that it is from where there is one."""

from __future__ import annotations

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

MESSAGES = (TITLE, *(text for pair in TERMS for text in pair))
