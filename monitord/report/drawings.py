"""Charts of a report: the same drawing as on the pages, as SVG that stands alone and is told apart without colour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from monitord.analysis.series.calibration import corrected_hourly, uncertainty_of
from monitord.charts.draw import draw
from monitord.charts.parts import Array, Chart, Level, Size, Trace, Window
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.series import HOUR_S, JobRecord
from monitord.text import formats
from monitord.text import report as texts
from monitord.text.speaker import Speaker

_SIZE = Size("report", 760, 262)

_STYLE = """<style>
text{font-family:"Libertinus Serif";font-size:14px;fill:#222}
.y,.goal-word{text-anchor:end}.x{text-anchor:middle}.day,.name,.goal-word,.unit{font-weight:bold}
.grid{stroke:#ccc;fill:none;stroke-width:1}.line{fill:none;stroke:#000;stroke-width:2}
.line.s2{stroke-dasharray:7 4;stroke-width:1.5}.line.s3{stroke-dasharray:2 4}
.band,.range{fill:#000;fill-opacity:.18;stroke:none}.band.s2,.range.s2{fill-opacity:.08}
.goal{stroke:#000;stroke-width:1.5;stroke-dasharray:2 3;fill:none}
</style>"""


@dataclass(frozen=True)
class Drawing:
    """One chart of a report."""

    title: str
    svg: str
    alt: str
    """What a person who can't see it should know."""
    caption: str


def drawings(
    job: JobFile, record: JobRecord, as_of: datetime, limits: Mapping[str, float], speaker: Speaker
) -> list[Drawing]:
    """Relative humidity of each location but the outdoor air, with its room; `limits` by location id. [% RH]"""
    shown = [location for location in job.locations if location.kind is not LocationKind.OUTDOOR_AIR]
    found = (_drawing(job, record, location, as_of, limits.get(location.id), speaker) for location in shown)
    return [drawing for drawing in found if drawing is not None]


def _drawing(
    job: JobFile, record: JobRecord, location: Location, as_of: datetime, limit: float | None, speaker: Speaker
) -> Drawing | None:
    trace = _trace(job, record, location, "s1", as_of)
    known = trace.value[np.isfinite(trace.value)]
    if not len(known):
        return None
    room = job.room_of(location)
    traces = (trace,) if room is None else (trace, _trace(job, record, room, "s2", as_of))
    start = min(job.start.timestamp(), float(trace.time_s[0]))
    bare = None if limit is None else formats.number(limit, 1, speaker.language)
    first, last, low, high = (f"{value:.0f}" for value in (known[0], known[-1], known.min(), known.max()))
    slots = {"location": location.label, "first": first, "last": last, "low": low, "high": high, "limit": bare}
    alt = speaker.say(texts.CHART_ALT, slots)
    chart = Chart(
        title=location.label,
        description=alt,
        unit="% RH",
        window=Window(start, as_of.timestamp(), job.zone),
        traces=traces,
        levels=() if limit is None else (Level(limit, speaker.say((texts.LIMIT_NAME,), slots)),),
        min_span=10.0,
        floor=0.0,
        ceiling=100.0,
    )
    svg = draw(chart, _SIZE).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    head, _, rest = svg.partition(">")
    caption = [speaker.say((texts.CHART_CAPTION,), slots)]
    if room is not None:
        caption.append(speaker.say((texts.CHART_ROOM,), {"room": room.label}))
    if limit is not None:
        caption.append(speaker.text(texts.CHART_LIMIT))
    return Drawing(location.label, f"{head}>{_STYLE}{rest}", alt, " ".join(caption))


def _trace(job: JobFile, record: JobRecord, location: Location, style: str, as_of: datetime) -> Trace:
    times: list[Array] = [np.empty(0)]
    values: list[Array] = [np.empty(0)]
    uncertainties: list[Array] = [np.empty(0)]
    for placement in record.at(location.id):
        hourly = corrected_hourly(placement.hourly, placement.placement, job.calibrations)
        u = uncertainty_of(placement.placement, job.calibrations, as_of.timestamp()).relative_humidity_pct
        times.append(hourly.hour_s + 0.5 * HOUR_S)
        values.append(hourly.relative_humidity_pct)
        uncertainties.append(np.full(len(hourly), formats.COVERAGE * u))
    time_s, value, uncertainty = (np.concatenate(parts) for parts in (times, values, uncertainties))
    order = np.argsort(time_s, kind="stable")
    return Trace(style, location.label, time_s[order], value[order], uncertainty[order], HOUR_S)
