"""Headings, columns, words and cautions of a report."""

from __future__ import annotations

TITLE = "Drying report: {job}"
FOOTER = "{job} · drying report · {time}"
PERIOD_FINAL, PERIOD_INTERIM = "{first} to {last}. Final.", "{first} to {last}. Interim."

HEADS = {
    "page": "Page",
    "places": "Where each location stands",
    "plan": "Plan",
    "criteria": "Readiness: criteria and what was measured",
    "not_signed": "Not signed off.",
    "charts": "Charts",
    "instruments": "Instruments",
    "alerts": "Alerts and what was done",
    "spots": "Spot readings",
    "equipment": "Equipment",
    "notes": "Notes and photos",
    "glossary": "Words",
    "cautions": "Cautions and limits of the method",
}
PLACES = ("Location", "Start", "Now", "Goal", "State")
CRITERIA = ("Result", "Criterion", "Measured", "Limit and source", "What would make it pass", "Earliest")
INSTRUMENTS = ("Probe", "Location", "Accuracy", "Checked", "Placed")
ALERTS = ("Opened", "Closed", "What", "What was done")
EQUIPMENT = ("Equipment", "Location", "On site", "Rated for a day", "Water taken out")
NOTES = ("Time", "Location", "By", "Note")
PLAN_ALT = "Plan with {count} locations and how each stands"
PHOTO_ALT = "Photo of {location}, {time}"
SPOTS = ("Location", "Time", "Value", "Instrument, by", "Note")

FACTS = ("Job", "Assessed", "Locations", "Probes", "Times", "Method")
PEOPLE, PERSON = "People", "{who} ({did})"
DID = ("sign-off", "checks of probes", "spot readings", "notes", "alerts")
LOCAL_TIMES = "local to the job ({zone})"
METHOD = "probes left in place; values corrected by their checks"

NO_CHECK = "no check on record"
PLACED, PLACED_UNTIL = "from {first}", "from {first} to {last}"
OPEN = "open"
ACKNOWLEDGED = ("Acknowledged by {who}: {note}.", "Acknowledged by {who}.")
SIGNED = "Signed off as {statement} by {who}, {time}."
OWN_READING = "Own reading: {value}."
WITHDRAWN = "Withdrawn {time} by {who}: {reason}."
EVIDENCE = "Evidence {digest}"
STATEMENTS = {"ready": "ready", "seen": "seen"}

CHART_ALT = (
    "Relative humidity, {location}: from {first} to {last} % RH, between {low} and {high} % RH. Limit {limit} % RH.",
    "Relative humidity, {location}: from {first} to {last} % RH, between {low} and {high} % RH.",
)
CHART_CAPTION = "Relative humidity in % RH by hour. Full line: {location}, shaded ± (k = 2)."
CHART_ROOM, CHART_LIMIT = "Broken line: {room}.", "Dotted: the limit."
LIMIT_NAME = "limit {limit}"

GOAL_EXPECTED, GOAL_INTERVAL = "Goal expected: {location}", "In these days with a chance of 80 %, by the forecast."
READY_EARLIEST, READY_BY_CLOCKS = "Ready at the earliest: {slab}", "By clocks alone, if nothing else comes."
CHECK_DUE, CHECK_HOW = "Calibration check due: {probe}", "Over a salt, or beside a checked probe."
"""Entries of the calendar of expected dates."""

GLOSSARY = (
    ("equilibrium RH", "relative humidity of air in balance with the material (ASTM F2170, BS 8203)"),
    ("sleeve", "sealed lined hole in a slab (ASTM F2170)"),
    ("goal", "value at which drying is complete (ANSI/IICRC S500)"),
    ("control", "like material known to be dry"),
    ("±", "uncertainty, about 95 %, two standard uncertainties (JCGM 100)"),
    ("guard band", "what the value must lie below its limit by, so that the uncertainty counts against it (JCGM 106)"),
    ("excluded", "stored and shown, but used for no decision"),
    ("signed off", "confirmed by a named person, on what was known then"),
)
CAUTIONS = (
    "These figures inform; they replace no covering manufacturer’s limit, local code or licensed person’s judgement.",
    "Switch off the supply before touching wet electrics; keep off floors and ceilings that may give way.",
    "Where mould may grow, don’t disturb it, wear protection and keep others out. A model sees no mould.",
    "Between the positions nothing was measured. A silent probe is not a dry wall.",
)

MESSAGES = (
    *(TITLE, FOOTER, PERIOD_FINAL, PERIOD_INTERIM),
    *HEADS.values(),
    *(*PLACES, *CRITERIA, *INSTRUMENTS, *ALERTS, *SPOTS, *NOTES, *EQUIPMENT, *FACTS),
    *(PLAN_ALT, PHOTO_ALT, PEOPLE, PERSON, *DID),
    *(LOCAL_TIMES, METHOD, NO_CHECK, PLACED, PLACED_UNTIL, OPEN, *ACKNOWLEDGED, SIGNED, OWN_READING, WITHDRAWN),
    *(GOAL_EXPECTED, GOAL_INTERVAL, READY_EARLIEST, READY_BY_CLOCKS, CHECK_DUE, CHECK_HOW),
    *(EVIDENCE, *STATEMENTS.values(), *CHART_ALT, CHART_CAPTION, CHART_ROOM, CHART_LIMIT, LIMIT_NAME),
    *(text for pair in GLOSSARY for text in pair),
    *CAUTIONS,
)
