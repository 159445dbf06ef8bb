"""The contents of a report as plain values: every text is a string, so that the typesetter runs none of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from typing import Any

from monitord.model.alerts import Alert
from monitord.model.assessments import JobAssessment, State
from monitord.model.jobs import JobFile, Location
from monitord.model.quantity import Quantity
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import SignOff
from monitord.model.readiness.verdict import Readiness
from monitord.model.site.equipment import Equipment
from monitord.model.site.spots import SCALES
from monitord.model.units import Units, quantity_in, read_in
from monitord.report.drawings import Drawing
from monitord.store.notes import Note
from monitord.text import readiness
from monitord.text import report as texts
from monitord.text.alerts import AlertSpeaker
from monitord.text.catalogue import FALLBACK, language, reader_language
from monitord.text.speaker import Speaker
from monitord.text.states import state_name, state_sentence

_YEARS_ALWAYS = datetime(1970, 1, 2, tzinfo=UTC)
"""A report is read years later: as read then, every time of it stands with its year."""
_DASH = "–"


def report_speaker(job: JobFile, units: Units = Units.METRIC, language_name: str = FALLBACK) -> Speaker:
    """Says things to the reader of a report: in the job's zone, every time with its year."""
    return Speaker(
        language(reader_language(language_name, units)), job.zone, _YEARS_ALWAYS, partial(quantity_in, units=units)
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
    speaker: Speaker
    firm: str = ""
    units: Units = Units.METRIC
    notes: Sequence[Note] = ()
    photos: Mapping[str, bytes] = field(default_factory=dict)
    """Small copies, by digest."""
    plan: bytes | None = None
    """The picture of the job's plan."""


def document(contents: Contents, logo: str | None) -> dict[str, Any]:
    """What the template is filled with."""
    job, speaker, seen = contents.job, contents.speaker, read_in(contents.assessment, contents.units)
    made, ended = contents.made_at.astimezone(job.zone), job.end is not None and job.end <= contents.made_at
    period = texts.PERIOD_FINAL if ended else texts.PERIOD_INTERIM
    last = job.end if ended and job.end is not None else contents.made_at
    named = {"job": job.label, "time": _time(speaker, contents.made_at)}

    def texts_of(messages: Sequence[str]) -> list[str]:
        return [speaker.text(message) for message in messages]

    return {
        "title": speaker.say((texts.TITLE,), named),
        "firm": contents.firm,
        "logo": logo,
        "lang": speaker.language.name.partition("-")[0],
        "region": "us" if contents.units is Units.US else None,
        "date": {"year": made.year, "month": made.month, "day": made.day},
        "footer": speaker.say((texts.FOOTER,), named),
        "period": speaker.say((period,), {"first": _time(speaker, job.start), "last": _time(speaker, last)}),
        "words": {name: speaker.text(message) for name, message in texts.HEADS.items()},
        "verdicts": [_verdict(contents, found) for found in seen.readiness],
        "facts": _facts(contents),
        "place_head": texts_of(texts.PLACES),
        "places": [_place(location, seen, speaker) for location in job.locations],
        "plan": _plan(contents, seen),
        "criteria_head": texts_of(texts.CRITERIA),
        "confirm": speaker.text(readiness.CONFIRM) if any(r.confirm for v in seen.readiness for r in v.results) else "",
        "charts": [
            {"title": d.title, "file": f"chart-{n}.svg", "alt": d.alt, "caption": d.caption}
            for n, d in enumerate(contents.drawings)
        ],
        "instrument_head": texts_of(texts.INSTRUMENTS),
        "instruments": _instruments(job, contents.made_at, speaker),
        "alert_head": texts_of(texts.ALERTS),
        "alerts": [_alert(alert, job, speaker) for alert in reversed(contents.alerts)],
        "spot_head": texts_of(texts.SPOTS),
        "spots": [_spot(job, number, speaker) for number in range(len(job.spots))],
        "equipment_head": texts_of(texts.EQUIPMENT),
        "equipment": [_machine(item, job, contents.made_at, speaker) for item in job.equipment],
        "note_head": texts_of(texts.NOTES),
        "notes": [_note(note, job, speaker) for note in contents.notes],
        "photos": [
            {"file": f"photo-{one.digest}.jpg", "alt": speaker.say((texts.PHOTO_ALT,), _photo(note, job, speaker))}
            for note in contents.notes
            for one in note.photos
            if one.digest in contents.photos
        ],
        "glossary": [texts_of(pair) for pair in texts.GLOSSARY],
        "cautions": texts_of((*(readiness.CAUTIONS if job.slabs else ()), *texts.CAUTIONS)),
    }


def _time(speaker: Speaker, at: datetime) -> str:
    return speaker.moment(at) or ""


def _verdict(contents: Contents, found: Readiness) -> dict[str, Any]:
    job, speaker = contents.job, contents.speaker
    slab = next((s for s in job.slabs if s.id == found.element), None)
    rules = contents.criteria.get(found.criteria)
    signed = [made for made in contents.signoffs if made.element == found.element]
    return {
        "label": slab.label if slab is not None else _label(job, found.element),
        "headline": readiness.headline(speaker, found),
        "tally": readiness.tally(speaker, found),
        "covering": readiness.covering(speaker, slab, found),
        "criteria": found.criteria if rules is None else f"{rules.name}: {rules.document} {rules.edition}".strip(),
        "rows": [
            [
                row.word,
                row.title,
                "; ".join(row.measured) + (f" ({row.when})" if row.when else ""),
                f"{row.limit}. {row.source}" if row.limit else row.source,
                " ".join(row.to_pass) or _DASH,
                row.earliest or _DASH,
            ]
            for row in readiness.criterion_rows(speaker, found, job)
        ],
        "signoffs": [_signed(made, speaker) for made in signed],
    }


def _signed(made: SignOff, speaker: Speaker) -> str:
    who = ", ".join(part for part in (made.by, made.role) if part)
    statement = speaker.text(texts.STATEMENTS[made.statement.value])
    slots = {"statement": statement, "who": who, "time": _time(speaker, made.signed_at)}
    said = [speaker.say((texts.SIGNED,), slots)]
    if made.own_reading:
        said.append(speaker.say((texts.OWN_READING,), {"value": made.own_reading}))
    if made.withdrawn_at is not None:
        back = {"time": _time(speaker, made.withdrawn_at), "who": made.withdrawn_by, "reason": made.withdrawn_reason}
        said.append(speaker.say((texts.WITHDRAWN,), back))
    return " ".join([*said, speaker.say((texts.EVIDENCE,), {"digest": made.known_sha256})])


def _facts(contents: Contents) -> list[list[str]]:
    job, speaker = contents.job, contents.speaker
    values = (
        job.job,
        _time(speaker, contents.assessment.as_of),
        str(len(job.locations)),
        str(len({placement.probe for placement in job.probes})),
        speaker.say((texts.LOCAL_TIMES,), {"zone": job.timezone}),
        speaker.text(texts.METHOD),
    )
    facts = [[speaker.text(name), value] for name, value in zip(texts.FACTS, values, strict=True)]
    people = _people(contents)
    return [*facts, [speaker.text(texts.PEOPLE), people]] if people else facts


def _people(contents: Contents) -> str:
    """Who is on record with the job, and for what; empty: nobody."""
    job, speaker = contents.job, contents.speaker
    named: tuple[list[str | None], ...] = (
        [made.by for made in contents.signoffs],
        [*(found.by for found in job.calibrations), *(check.by for check in job.checks)],
        [spot.by for spot in job.spots],
        [note.by for note in contents.notes],
        [alert.acknowledged_by for alert in contents.alerts],
    )
    did: dict[str, list[str]] = {}
    for what, names in zip(texts.DID, named, strict=True):
        for who in dict.fromkeys(name for name in names if name):
            did.setdefault(who, []).append(speaker.text(what))
    return "; ".join(speaker.say((texts.PERSON,), {"who": who, "did": ", ".join(did[who])}) for who in did)


def _place(location: Location, seen: JobAssessment, speaker: Speaker) -> list[str]:
    found = seen.at(location.id)
    if found is None:
        return [location.label, _DASH, _DASH, _DASH, state_name(speaker, State.NO_DATA)]
    state = f"{state_name(speaker, found.state)}. {state_sentence(speaker, found.state, found.facts)}"
    drying = found.drying
    if drying is None:
        return [location.label, _DASH, speaker.amount(found.relative_humidity) or _DASH, _DASH, state]
    goal = Quantity(value=drying.limit, unit=drying.unit)
    start = None if drying.start_value is None else Quantity(value=drying.start_value, unit=drying.unit)
    amounts = (speaker.amount(quantity) or _DASH for quantity in (start, drying.value, goal))
    return [location.label, *amounts, state]


def _instruments(job: JobFile, as_of: datetime, speaker: Speaker) -> list[list[str]]:
    rows = []
    for placement in job.probes:
        checked = job.checked_at(placement, as_of)
        limits = (
            Quantity(value=placement.accuracy.relative_humidity_pct, unit="% RH"),
            Quantity(value=placement.accuracy.temperature_c, unit="K"),
        )
        last = None if placement.to_time is None else speaker.moment(placement.to_time)
        span = {"first": speaker.moment(placement.from_time), "last": last}
        rows.append(
            [
                placement.probe,
                _label(job, placement.location_id),
                ", ".join(f"± {speaker.amount(limit)}" for limit in limits),
                speaker.text(texts.NO_CHECK) if checked is None else _time(speaker, checked),
                speaker.say((texts.PLACED_UNTIL, texts.PLACED), span),
            ]
        )
    return rows


def _alert(alert: Alert, job: JobFile, speaker: Speaker) -> list[str]:
    done, said = [], AlertSpeaker(speaker, alert, _label(job, alert.location or ""))
    if alert.acknowledged_by:
        slots = {"who": alert.acknowledged_by, "note": alert.acknowledgement_note or None}
        done.append(speaker.say(texts.ACKNOWLEDGED, slots))
    if alert.closed_at is not None:
        done.append(said.closing())
    return [
        speaker.moment(alert.opened_at) or _DASH,
        speaker.text(texts.OPEN) if alert.closed_at is None else _time(speaker, alert.closed_at),
        f"{said.headline()}. {said.opening()}",
        " ".join(done) or _DASH,
    ]


def _spot(job: JobFile, number: int, speaker: Speaker) -> list[str]:
    spot = job.spots[number]
    value = speaker.amount(Quantity(value=spot.corrected, u=spot.u, unit=SCALES[spot.kind].unit)) or _DASH
    if spot.depth_mm is not None:
        value = f"{value} ({speaker.bare(Quantity(value=spot.depth_mm, unit='mm'))})"
    by = ", ".join(part for part in (spot.instrument, spot.by) if part)
    return [_label(job, spot.location_id), _time(speaker, spot.at), value, by or _DASH, spot.note or _DASH]


def _machine(item: Equipment, job: JobFile, as_of: datetime, speaker: Speaker) -> list[str]:
    last = None if item.to_time is None else speaker.moment(item.to_time)
    span = {"first": speaker.moment(item.from_time), "last": last}
    litres = item.litres(as_of)
    rated, taken = (
        None if value is None else speaker.bare(Quantity(value=value, unit="L"), 1)
        for value in (item.rated_l_per_day, litres)
    )
    said = speaker.say((texts.PLACED_UNTIL, texts.PLACED), span)
    return [item.label, _label(job, item.location_id), said, rated or _DASH, taken or _DASH]


def _plan(contents: Contents, seen: JobAssessment) -> dict[str, Any] | None:
    job, speaker = contents.job, contents.speaker
    if job.plan is None or contents.plan is None:
        return None
    marks = []
    for point in job.plan.points:
        assessed = seen.at(point.location)
        state = _DASH if assessed is None else state_name(speaker, assessed.state)
        marks.append({"x": point.x, "y": point.y, "name": _label(job, point.location), "state": state})
    return {"file": "plan.jpg", "alt": speaker.say((texts.PLAN_ALT,), {"count": str(len(marks))}), "marks": marks}


def _note(note: Note, job: JobFile, speaker: Speaker) -> list[str]:
    where = _label(job, note.location) if note.location is not None else _DASH
    return [_time(speaker, note.at), where, note.by, note.text or _DASH]


def _photo(note: Note, job: JobFile, speaker: Speaker) -> dict[str, str]:
    where = _label(job, note.location) if note.location is not None else job.label
    return {"location": where, "time": _time(speaker, note.at)}


def _label(job: JobFile, location_id: str) -> str:
    return next((location.label for location in job.locations if location.id == location_id), location_id)
