"""Sleeves of one slab at several depths: which way the moisture goes, and whether the far side still feeds it.

Deeper wetter means that moisture comes from behind or that the core is still wet; shallower wetter, that it came from
this side (common practice). Sleeves belong to one slab when they have the same room, the same reference, the same
slab thickness and the same number of drying sides; depths within 5 mm are one level. Where a level has several
sleeves, the positions they belong to are not known, and their mean counts, with their spread as uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from monitord.analysis.series.hourly_series import HourlySeries
from monitord.analysis.series.times import utc
from monitord.analysis.slabs.moisture_supply import Fed, feeding
from monitord.analysis.slabs.parameters import SLABS
from monitord.model.assessments import Comparison, DepthComparison, DepthVerdict, Equilibrium, FarSide, Flow, Quantity
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile, Location, LocationKind
from monitord.model.series import HOUR_S
from monitord.physics.concrete import sealed_hole_humidity
from monitord.physics.moist_air import humidity_ratio, vapour_pressure
from monitord.physics.uncertainty import combine, u_humidity_ratio, u_vapour_pressure


@dataclass(frozen=True)
class SleeveLevel:
    """What one sleeve tells of its depth: the mean of its last day if it is equilibrated, else its prediction."""

    location: Location
    relative_humidity_pct: float
    u_pct: float
    temperature_c: float
    series: HourlySeries
    equilibrated: bool
    at_s: float

    @property
    def depth_mm(self) -> float:
        """Depth of the sleeve. [mm]"""
        return self.location.depth_mm or 0.0

    @property
    def moisture(self) -> tuple[float, float]:
        """Humidity brought to the common temperature, and its standard uncertainty. [%]"""
        at_level = sealed_hole_humidity(self.relative_humidity_pct, self.temperature_c, SLABS.depth_level_c)
        # the temperature coefficient of sealed concrete is published as 0.2 to 0.5 %/K: half of its own size
        return at_level, float(np.hypot(self.u_pct, 0.5 * (at_level - self.relative_humidity_pct)))


def same_slab(job: JobFile, one: Location, other: Location) -> bool:
    """Whether two sleeves are of one slab: same room, reference, thickness and drying sides."""
    if not all(p.kind is LocationKind.SLAB_SLEEVE and p.depth_mm is not None for p in (one, other)):
        return False
    rooms = [None if room is None else room.id for room in (job.room_of(one), job.room_of(other))]
    alike = (one.reference, one.slab_thickness_mm, one.drying_sides or 1, rooms[0])
    return alike == (other.reference, other.slab_thickness_mm, other.drying_sides or 1, rooms[1])


def levels_of(job: JobFile, location: Location) -> list[list[Location]]:
    """The sleeves of a sleeve's slab by level, shallowest first; depths within 5 mm of a level's first are one."""
    sleeves = sorted((p for p in job.locations if same_slab(job, location, p)), key=lambda p: (p.depth_mm or 0.0, p.id))
    levels: list[list[Location]] = []
    for sleeve in sleeves:
        if levels and (sleeve.depth_mm or 0.0) - (levels[-1][0].depth_mm or 0.0) <= SLABS.same_depth_mm:
            levels[-1].append(sleeve)
        else:
            levels.append([sleeve])
    return levels


def sleeve_level(series: HourlySeries, settled: Equilibrium | None) -> SleeveLevel | None:
    """What a sleeve tells of its depth as of its last complete hour; None while it tells nothing."""
    rh, t = series.relative_humidity_pct[-24:], series.temperature_c[-24:]
    known = np.isfinite(rh) & np.isfinite(t)
    if settled is None or known.sum() < SLABS.depth_min_h:
        return None
    humidity, u = float(rh[known].mean()), series.uncertainty.relative_humidity_pct
    if settled.state != "equilibrated":
        if settled.predicted_rh is None or settled.low is None or settled.high is None:
            return None
        humidity, u = (
            settled.predicted_rh,
            float(np.hypot(u, (settled.high - settled.low) / (2.0 * SLABS.central_80_sd))),
        )
    at_s = float(series.hour_s[-len(rh) :][known][-1]) + HOUR_S
    return SleeveLevel(
        location=series.location,
        relative_humidity_pct=min(max(humidity, 0.0), 100.0),
        u_pct=u,
        temperature_c=float(t[known].mean()),
        series=series,
        equilibrated=settled.state == "equilibrated",
        at_s=at_s,
    )


def depth_comparisons(
    job: JobFile,
    location: Location,
    all_series: Mapping[str, HourlySeries],
    settled: Mapping[str, Equilibrium | None],
    clocks: Mapping[str, float],
    pressure_pa: float,
    options: AnalysisOptions,
) -> list[Comparison]:
    """Compare a sleeve with the other depths of its slab, one comparison for each level, shallowest first.

    Parameters
    ----------
    tracks, settled, clocks : By location id: the hours, the state of equilibration, and when the sleeve's clock
        started [s].
    pressure_pa : Air pressure. [Pa]

    Returns
    -------
    Comparisons of role `depth`; `against` is a level's first sleeve by depth and id. Empty where the slab has one
    level, or this sleeve tells nothing. Where one of the sleeves is not equilibrated, the flow is unknown and the
    depths are a prediction.
    """
    levels = levels_of(job, location)
    if len(levels) < 2:
        return []
    told = {
        p.id: sleeve_level(all_series[p.id], settled.get(p.id)) for level in levels for p in level if p.id in all_series
    }
    sleeve = told.get(location.id)
    if sleeve is None:
        return []
    found = []
    for level in levels:
        others = [other for p in level if (other := told.get(p.id)) is not None]
        if others and location not in level:
            found.append(_compare(sleeve, others, clocks, pressure_pa, options))
    return found


def _mean(levels: list[SleeveLevel], values: list[tuple[float, float]]) -> tuple[float, float]:
    """Mean of a level and its standard uncertainty, with the spread between its positions."""
    value = [v for v, _ in values]
    n = len(value)
    u = float(np.sqrt(sum(u**2 for _, u in values))) / n
    spread = float(np.std(value, ddof=1)) * float(np.sqrt(1.0 + 1.0 / n)) if n > 1 else 0.0
    return float(np.mean(value)), float(np.hypot(u, spread))


def _compare(
    sleeve: SleeveLevel,
    others: list[SleeveLevel],
    clocks: Mapping[str, float],
    pressure_pa: float,
    options: AnalysisOptions,
) -> Comparison:
    dvp, dw = _differences(sleeve, others, pressure_pa)
    sure = all(level.equilibrated for level in (sleeve, *others))
    clear = abs(dvp.value) > options.coverage * (dvp.u or 0.0)
    flow = Flow.NO_CLEAR_DIFFERENCE if not clear else Flow.OUT_OF if dvp.value > 0 else Flow.INTO
    return Comparison(
        against=others[0].location.id,
        role="depth",
        at=utc(min(level.at_s for level in (sleeve, *others))),
        vapour_pressure_difference=dvp,
        humidity_ratio_difference=dw,
        flow=flow if sure else Flow.UNKNOWN,
        depths=_depths(sleeve, others, sure, clocks, options),
    )


def _vapour(level: SleeveLevel) -> tuple[float, float]:
    rh, t = level.relative_humidity_pct, level.temperature_c
    return vapour_pressure(t, rh), u_vapour_pressure(t, rh, level.series.uncertainty.temperature_k, level.u_pct)


def _ratio(level: SleeveLevel, pressure_pa: float) -> tuple[float, float]:
    rh, t = level.relative_humidity_pct, level.temperature_c
    w = humidity_ratio(vapour_pressure(t, rh), pressure_pa)
    return 1000.0 * w, 1000.0 * u_humidity_ratio(
        t, rh, level.series.uncertainty.temperature_k, level.u_pct, pressure_pa
    )


def _differences(sleeve: SleeveLevel, others: list[SleeveLevel], pressure_pa: float) -> tuple[Quantity, Quantity]:
    """This sleeve minus a level: vapour pressure [Pa] and humidity ratio [g/kg]."""
    p, u_p = _vapour(sleeve)
    w, u_w = _ratio(sleeve, pressure_pa)
    other_p, u_other_p = _mean(others, [_vapour(level) for level in others])
    other_w, u_other_w = _mean(others, [_ratio(level, pressure_pa) for level in others])
    return (
        Quantity(value=p - other_p, u=combine(u_p, u_other_p), unit="Pa"),
        Quantity(value=w - other_w, u=combine(u_w, u_other_w), unit="g/kg"),
    )


def _depths(
    sleeve: SleeveLevel, others: list[SleeveLevel], sure: bool, clocks: Mapping[str, float], options: AnalysisOptions
) -> DepthComparison:
    mine, u_mine = sleeve.moisture
    theirs, u_theirs = _mean(others, [level.moisture for level in others])
    other_mm = float(np.mean([level.depth_mm for level in others]))
    deeper = sleeve.depth_mm > other_mm
    excess = Quantity(value=mine - theirs if deeper else theirs - mine, u=combine(u_mine, u_theirs), unit="% RH")
    verdict = _verdict(sleeve.location, excess, sure, options)
    fed = _fed(sleeve, others, deeper, clocks) if verdict is DepthVerdict.DEEPER_WETTER else None
    judged = fed is not None and fed.far_side is not FarSide.TOO_EARLY
    return DepthComparison(
        verdict=verdict,
        moisture=Quantity(value=mine, u=u_mine, unit="% RH"),
        other=Quantity(value=theirs, u=u_theirs, unit="% RH"),
        depth=Quantity(value=sleeve.depth_mm, unit="mm"),
        other_depth=Quantity(value=other_mm, unit="mm"),
        other_sleeves=len(others),
        deeper_excess=excess,
        brought_to=Quantity(value=SLABS.depth_level_c, unit="°C"),
        far_side=fed.far_side if fed is not None else None,
        deep_rate=Quantity(value=fed.shown.slope, unit="% RH/day") if fed is not None and judged else None,
        rate_days=fed.shown.days if fed is not None and judged else None,
        expected_loss=Quantity(value=fed.expected_loss, unit="% RH/day")
        if fed is not None and fed.expected_loss is not None
        else None,
    )


def _verdict(location: Location, deeper_excess: Quantity, sure: bool, options: AnalysisOptions) -> DepthVerdict:
    if not sure:
        return DepthVerdict.PREDICTION
    if abs(deeper_excess.value) <= options.coverage * (deeper_excess.u or 0.0):
        return DepthVerdict.NO_CLEAR_DIFFERENCE
    if deeper_excess.value < 0:
        return DepthVerdict.SHALLOWER_WETTER
    return DepthVerdict.CORE_WET if location.drying_sides == 2 else DepthVerdict.DEEPER_WETTER


def _fed(sleeve: SleeveLevel, others: list[SleeveLevel], deeper: bool, clocks: Mapping[str, float]) -> Fed | None:
    """Whether the far side feeds a slab whose deeper sleeve is wetter; None where two sleeves don't show it."""
    if len(others) > 1 or sleeve.location.id not in clocks or others[0].location.id not in clocks:
        return None
    deep, shallow = (sleeve, others[0]) if deeper else (others[0], sleeve)
    clock = max(clocks[deep.location.id], clocks[shallow.location.id])
    return feeding(deep.series, shallow.series, clock, sleeve.location.slab_thickness_mm)
