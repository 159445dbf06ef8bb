"""The contents of a report as plain values: every text is a string, so that the typesetter runs none of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from functools import partial
from typing import Any

from monitord.charts.time_axis import MONTHS
from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment, State
from monitord.model.jobs import JobFile, Location
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import SignOff
from monitord.model.readiness.verdict import Readiness
from monitord.model.units import Units, quantity_in, read_in
from monitord.report import words
from monitord.report.drawings import Drawing
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import language
from monitord.text.speaker import Speaker
from monitord.text.states import state_name, state_sentence

HEADS = {
    "page": "Page",
    "places": "Where each location stands",
    "criteria": "Readiness: criteria and what was measured",
    "not_signed": "Not signed off.",
    "charts": "Charts",
    "instruments": "Instruments",
    "alerts": "Alerts and what was done",
    "spots": "Spot readings",
    "glossary": "Words",
    "cautions": "Cautions and limits of the method",
}
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
GENERAL = (
    "These figures inform; they replace no covering manufacturer’s limit, local code or licensed person’s judgement.",
    "Switch off the supply before touching wet electrics; keep off floors and ceilings that may give way.",
    "Where mould may grow, don’t disturb it, wear protection and keep others out. A model sees no mould.",
    "Between the positions nothing was measured. A silent probe is not a dry wall.",
)


@dataclass(frozen=True)
class Contents:
    """Everything a report says of a job."""

    job: JobFile
    assessment: JobAssessment
    criteria: CriteriaBook
    alerts: Sequence[Alert]
    signoffs: Sequence[SignOff]
    drawings: Sequence[Drawing]
    made_at: datetime
    firm: str = ""
    units: Units = Units.METRIC


def stamp_in(zone: tzinfo, time: datetime) -> str:
    """`8 Dec 2026, 07:20` in a zone: the year always, since reports are read years later."""
    local = time.astimezone(zone)
    return f"{local.day} {MONTHS[local.month - 1]} {local.year}, {local.hour:02d}:{local.minute:02d}"


def document(contents: Contents, logo: str | None) -> dict[str, Any]:
    """What the template is filled with."""
    job, seen = contents.job, read_in(contents.assessment, contents.units)
    made = contents.made_at.astimezone(job.zone)

    speaker = Speaker(language(), job.zone, contents.made_at, partial(quantity_in, units=contents.units))

    def stamp(time: datetime) -> str:
        return stamp_in(job.zone, time)

    ending = "Final" if job.end is not None and job.end <= contents.made_at else "Interim"
    last = job.end if ending == "Final" and job.end is not None else contents.made_at
    return {
        "title": f"Drying report: {job.label}",
        "firm": contents.firm,
        "logo": logo,
        "lang": "en",
        "region": "us" if contents.units is Units.US else "gb",
        "date": {"year": made.year, "month": made.month, "day": made.day},
        "footer": f"{job.label} · drying report · {stamp(contents.made_at)}",
        "period": f"{stamp(job.start)} to {stamp(last)}. {ending}.",
        "words": HEADS,
        "verdicts": [_verdict(contents, found, stamp) for found in seen.readiness],
        "facts": _facts(contents, stamp),
        "place_head": ["Location", "Start", "Now", "Goal", "State"],
        "places": [_place(location, seen, speaker) for location in job.locations],
        "criteria_head": ["Result", "Criterion", "Measured", "Limit and source", "What would make it pass", "Earliest"],
        "confirm": words.CONFIRM if any(r.confirm for v in seen.readiness for r in v.results) else "",
        "charts": [
            {"title": d.title, "file": f"chart-{n}.svg", "alt": d.alt, "caption": d.caption}
            for n, d in enumerate(contents.drawings)
        ],
        "instrument_head": ["Probe", "Location", "Accuracy", "Checked", "Placed"],
        "instruments": _instruments(job, contents.made_at, stamp),
        "alert_head": ["Opened", "Closed", "What", "What was done"],
        "alerts": [_alert(alert, job, stamp, speaker) for alert in reversed(contents.alerts)],
        "spot_head": ["Location", "Time", "Value", "Instrument, by", "Note"],
        "spots": [_spot(job, number, contents.units, stamp) for number in range(len(job.spots))],
        "glossary": [list(pair) for pair in GLOSSARY],
        "cautions": [*(words.CAUTIONS if job.slabs else ()), *GENERAL],
    }


def _verdict(contents: Contents, found: Readiness, stamp: words.Stamp) -> dict[str, Any]:
    job = contents.job
    slab = next((s for s in job.slabs if s.id == found.element), None)
    rules = contents.criteria.get(found.criteria)
    signed = [made for made in contents.signoffs if made.element == found.element]
    return {
        "label": slab.label if slab is not None else _label(job, found.element),
        "headline": words.headline(found, stamp),
        "tally": words.tally(found),
        "covering": words.covering(slab, found),
        "criteria": found.criteria if rules is None else f"{rules.name}: {rules.document} {rules.edition}".strip(),
        "rows": [
            [
                row.word,
                row.title,
                "; ".join(row.measured) + (f" ({row.when})" if row.when else ""),
                f"{row.limit}. {row.source}" if row.limit else row.source,
                " ".join(row.to_pass) or "–",
                row.earliest or "–",
            ]
            for row in words.criterion_rows(found, job, stamp)
        ],
        "signoffs": [_signed(made, stamp) for made in signed],
    }


def _signed(made: SignOff, stamp: words.Stamp) -> str:
    role = f", {made.role}" if made.role else ""
    own = f" Own reading: {made.own_reading}." if made.own_reading else ""
    text = f"Signed off as {made.statement.value} by {made.by}{role}, {stamp(made.signed_at)}.{own}"
    if made.withdrawn_at is not None:
        text += f" Withdrawn {stamp(made.withdrawn_at)} by {made.withdrawn_by}: {made.withdrawn_reason}."
    return f"{text} Evidence {made.known_sha256}"


def _facts(contents: Contents, stamp: words.Stamp) -> list[list[str]]:
    job = contents.job
    probes = {placement.probe for placement in job.probes}
    return [
        ["Job", job.job],
        ["Assessed", stamp(contents.assessment.as_of)],
        ["Locations", str(len(job.locations))],
        ["Probes", str(len(probes))],
        ["Times", f"local to the job ({job.timezone})"],
        ["Method", "probes left in place; values corrected by their checks"],
    ]


def _place(location: Location, seen: JobAssessment, speaker: Speaker) -> list[str]:
    found = seen.at(location.id)
    if found is None:
        return [location.label, "–", "–", "–", state_name(speaker, State.NO_DATA)]
    state = f"{state_name(speaker, found.state)}. {state_sentence(speaker, found.state, found.facts)}"
    drying = found.drying
    if drying is None:
        now = found.relative_humidity
        return [location.label, "–", "–" if now is None else words.shown(now), "–", state]
    goal = Quantity(value=drying.limit, unit=drying.unit)
    start = None if drying.start_value is None else Quantity(value=drying.start_value, unit=drying.unit)
    return [
        location.label,
        "–" if start is None else words.shown(start),
        "–" if drying.value is None else words.shown(drying.value),
        words.shown(goal),
        state,
    ]


def _instruments(job: JobFile, as_of: datetime, stamp: words.Stamp) -> list[list[str]]:
    rows = []
    for placement in job.probes:
        checked = job.checked_at(placement, as_of)
        until = "" if placement.to_time is None else f" to {stamp(placement.to_time)}"
        rows.append(
            [
                placement.probe,
                _label(job, placement.location_id),
                f"± {placement.accuracy.relative_humidity_pct:g} % RH, ± {placement.accuracy.temperature_c:g} K",
                "no check on record" if checked is None else stamp(checked),
                f"from {stamp(placement.from_time)}{until}",
            ]
        )
    return rows


def _alert(alert: Alert, job: JobFile, stamp: words.Stamp, speaker: Speaker) -> list[str]:
    done, said = [], AlertSpeaker(speaker, alert, _label(job, alert.location or ""))
    if alert.acknowledged_by:
        note = f": {alert.acknowledgement_note}" if alert.acknowledgement_note else ""
        done.append(f"Acknowledged by {alert.acknowledged_by}{note}.")
    if alert.closed_at is not None:
        done.append(said.closing())
    return [
        "–" if alert.opened_at is None else stamp(alert.opened_at),
        "open" if alert.closed_at is None else stamp(alert.closed_at),
        f"{said.headline()}. {said.opening()}",
        " ".join(done) or "–",
    ]


def _spot(job: JobFile, number: int, units: Units, stamp: words.Stamp) -> list[str]:
    spot = job.spots[number]
    unit = "% MC" if spot.kind.value.startswith("wood") else "°C"
    value = quantity_in(Quantity(value=spot.corrected, u=spot.u, unit=unit), units)
    by = ", ".join(part for part in (spot.instrument, spot.by) if part)
    return [_label(job, spot.location_id), stamp(spot.at), words.shown(value), by or "–", spot.note or "–"]


def _label(job: JobFile, location_id: str) -> str:
    return next((location.label for location in job.locations if location.id == location_id), location_id)
