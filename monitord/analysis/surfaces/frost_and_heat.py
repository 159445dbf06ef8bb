"""Frost and heat: pipes at risk, and heat or dry heat that harms what it dries.

The limits of alerts are the rules'; the limits here are for the cautions shown beside a location. All of them are
common practice, not standards.
"""

from __future__ import annotations

import numpy as np

from monitord.analysis.air.comparison import Present
from monitord.analysis.series.times import utc
from monitord.analysis.surfaces.parameters import SURFACES
from monitord.model.assessments import Facts, Finding, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import Caution, CautionKind
from monitord.model.facts import FindingKind
from monitord.model.jobs import LocationKind
from monitord.model.series import HOUR_S
from monitord.physics.wood import equilibrium_moisture_content

FROST_KINDS = frozenset({LocationKind.ROOM_AIR})
"""Where frost is told of: rooms. A ventilated cavity or void freezes every winter without harm, and where pipes run in
one nobody has said."""

HEAT_KINDS = frozenset({LocationKind.ROOM_AIR, LocationKind.CAVITY, LocationKind.SUBFLOOR_VOID})


def _mean_s(present: Present, heat: bool = False) -> float:
    """Over how long the temperature's mean counts at a location. [s]"""
    if heat and present.location.kind in (LocationKind.CAVITY, LocationKind.SUBFLOOR_VOID):
        return SURFACES.cavity_heat_h * HOUR_S
    return max(SURFACES.mean_s, SURFACES.mean_intervals * present.interval_s)


def _mean_of_last(present: Present, span_s: float) -> tuple[float, int] | None:
    """Mean temperature of the last readings, and how many. [°C]"""
    first = present.series.time_s.searchsorted(present.time_s - span_s, side="right")
    lately = present.series.temperature_c[first:]
    lately = lately[np.isfinite(lately)]
    return (float(lately.mean()), len(lately)) if len(lately) else None


def frost_and_heat(present: Present, options: AnalysisOptions) -> tuple[list[Finding], tuple[Caution, ...]]:
    """Findings about freezing and overheating at a location, and cautions."""
    findings: list[Finding] = []
    cautions: list[Caution] = []
    kind = present.location.kind
    if kind in FROST_KINDS:
        found = _mean_of_last(present, _mean_s(present))
        if found is not None:
            findings.append(_finding(FindingKind.FREEZING, present, found))
            if found[0] <= options.freezing_caution_c:
                cautions.append(_caution(CautionKind.FROST, found[0], "°C"))
    if kind in HEAT_KINDS:
        found = _mean_of_last(present, _mean_s(present, heat=True))
        if found is not None:
            dry = _dries_too_fast(present, found[0], options)
            findings.append(_finding(FindingKind.OVERHEATING, present, found))
            if found[0] >= options.overheating_caution_c:
                cautions.append(_caution(CautionKind.HEAT, found[0], "°C"))
            if dry is not None:
                cautions.append(dry)
    return findings, tuple(cautions)


def _dries_too_fast(present: Present, celsius: float, options: AnalysisOptions) -> Caution | None:
    """A caution where warm air is so dry that the surface dries far ahead of the core; else None."""
    rh = float(present.series.relative_humidity_pct[-1])
    if celsius < options.overdrying_min_c or not np.isfinite(rh):
        return None
    content = float(equilibrium_moisture_content(min(celsius, 100.0), rh))
    if content >= options.overdrying_emc_pct:
        return None
    return _caution(CautionKind.DRIES_TOO_FAST, content, "% MC")


def _caution(kind: CautionKind, value: float, unit: str) -> Caution:
    return Caution(kind=kind, value=Quantity(value=value, unit=unit))


def _finding(kind: FindingKind, present: Present, found: tuple[float, int]) -> Finding:
    return Finding(
        kind=kind,
        location=present.location.id,
        measured_at=utc(present.time_s),
        value=found[0],
        unit="°C",
        u=present.uncertainty.temperature_k,
        readings=found[1],
        interval_s=present.interval_s,
        facts=Facts(
            value=Quantity(value=found[0], u=present.uncertainty.temperature_k, unit="°C"), at=utc(present.time_s)
        ),
    )
