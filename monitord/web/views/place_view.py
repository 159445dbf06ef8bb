"""What the form for placing a probe shows: probes that wait, locations, probes that stand; and labels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

import segno
from markupsafe import Markup

from monitord.model.job_files.changes import DRILLED_KINDS, sleeve_depth_mm
from monitord.model.job_files.defaults import JobDefaults
from monitord.model.jobs import Location, LocationKind
from monitord.model.quantity import Quantity
from monitord.model.units import quantity_in
from monitord.store.last_seen import LastSeen
from monitord.web.queries import JobState
from monitord.web.text.formats import length, number, plain
from monitord.web.visitor import reader_units

_NEAR = 0.1
"""How far, as a share, a sleeve's depth may be from the standard's before it is said: our choice."""


@dataclass(frozen=True)
class ProbeChoice:
    """One probe to choose."""

    probe: str
    says: str
    last_seen_at: datetime | None


@dataclass(frozen=True)
class PlaceChoice:
    """One location to choose."""

    id: str
    label: str
    stands: str
    """What is known of a probe there."""
    taken: bool
    """Whether a probe stands there now."""
    drills: bool
    """Whether a hole is drilled for the first probe there, and none was there yet."""


@dataclass(frozen=True)
class Standing:
    """One probe that stands in the job."""

    probe: str
    label: str
    location_id: str
    since: datetime
    last_seen_at: datetime | None
    depth: str
    """About the depth of a sleeve: what the standard asks for."""


@dataclass(frozen=True)
class Label:
    """What is printed for one probe."""

    probe: str
    picture: Markup


def loose_probes(state: JobState, probes: Iterable[LastSeen], chosen: str) -> list[ProbeChoice]:
    """Probes that report and are not placed, the one seen last first; and the one that a label named."""
    standing = {placement.probe for placement in state.placements_now}
    rows = [
        ProbeChoice(
            item.probe,
            f"{number(item.relative_humidity_pct, 0)} % RH, {_temperature(item.temperature_c)}",
            item.last_seen_at,
        )
        for item in sorted(probes, key=lambda item: item.last_seen_at, reverse=True)
        if item.probe not in standing  # it was placed since its last reading
    ]
    if chosen and chosen != "other" and chosen not in {row.probe for row in rows}:
        there = next((p for p in state.placements_now if p.probe == chosen), None)
        where = None if there is None else state.job.location(there.location_id).label
        says = (
            f"at {where} now; it is moved"
            if where is not None
            else "from its label; no reading yet, or placed elsewhere"
        )
        rows.insert(0, ProbeChoice(chosen, says, None))
    return rows


def _temperature(celsius: float) -> str:
    return plain(quantity_in(Quantity(value=celsius, unit="°C"), reader_units()))


def place_rows(state: JobState) -> list[PlaceChoice]:
    """The job's locations, those without a probe first."""
    rows = []
    for location in state.job.locations:
        standing = [p.probe for p in state.placements_now if p.location_id == location.id]
        drills = location.kind in DRILLED_KINDS and not state.job.placements_at(location.id)
        rows.append(PlaceChoice(location.id, location.label, _stands(standing), bool(standing), drills))
    return sorted(rows, key=lambda row: row.taken)


def _stands(probes: Sequence[str]) -> str:
    return f"{' and '.join(probes)} there now" if probes else "no probe there"


def standing_rows(state: JobState) -> list[Standing]:
    """Probes that stand in the job now."""
    rows = []
    for placement in state.placements_now:
        location = state.job.location(placement.location_id)
        rows.append(
            Standing(
                placement.probe,
                location.label,
                location.id,
                placement.from_time,
                state.placement_last_seen_at(placement),
                depth_words(location),
            )
        )
    return sorted(rows, key=lambda row: row.label)


def depth_words(location: Location) -> str:
    """Whether a sleeve's depth is what the standard asks for; empty for others, and where it can't be said."""
    if location.kind is not LocationKind.SLAB_SLEEVE or location.depth_mm is None:
        return ""
    if location.slab_thickness_mm is None or location.drying_sides is None:
        return ""
    wanted = sleeve_depth_mm(location.slab_thickness_mm, location.drying_sides)
    faces = "one face" if location.drying_sides == 1 else "both faces"
    thick, deep, right_depth = (
        length(mm, reader_units()) for mm in (location.slab_thickness_mm, location.depth_mm, wanted)
    )
    told = f"{thick} drying from {faces}: {right_depth} (ASTM F2170)"
    right = abs(location.depth_mm - wanted) <= _NEAR * wanted
    return f"{deep} deep, {'right for' if right else 'not as asked for'} {told}"


_GOAL_WORDS = (
    (LocationKind.SLAB_SLEEVE, "slab", "% RH"),
    (LocationKind.CAVITY, "cavity", "% RH"),
    (LocationKind.SUBFLOOR_VOID, "void", "% RH"),
    (LocationKind.MATERIAL, "timber", "% MC"),
)


def usual_goals(usual: JobDefaults) -> str:
    """`slab 75 % RH; timber 16 % MC`: what new locations have for a goal; empty where the firm has set none."""
    return "; ".join(
        f"{words} {usual.limits[kind]:g} {unit}" for kind, words, unit in _GOAL_WORDS if kind in usual.limits
    )


def labels_of(probes: Iterable[str], base: str) -> list[Label]:
    """A label for each probe: its id, and a QR code (ISO/IEC 18004) of the link to its form."""
    return [Label(probe, _picture(f"{base}/place?probe={quote(probe, safe='')}")) for probe in probes]


def _picture(text: str) -> Markup:
    code = segno.make(text, error="m", micro=False)
    return Markup(code.svg_inline(scale=1, omitsize=True, border=4))
