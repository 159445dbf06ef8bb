"""A location as one regular hourly series, whichever probes stood there, without what quality flagged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from monitord.analysis.series.calibration import Uncertainty, corrected_hourly, uncertainty_of
from monitord.analysis.series.parameters import SERIES
from monitord.model.jobs import Calibration, Location, LocationKind
from monitord.model.series import HOUR_S, Array, PlacementRecord
from monitord.physics.moist_air import vapour_pressure

Masks = dict[tuple[str, float], Array]
"""Per placement (probe, start): for each of its hours 1.0 where the hour is out of every verdict, else 0.0."""


@dataclass(frozen=True)
class TimberSpot:
    """A moisture content measured by hand."""

    time_s: float
    moisture_content_pct: float
    """Corrected for species and temperature. [% of dry mass]"""
    u_pct: float
    """Standard uncertainty. [% of dry mass]"""
    meter: str = ""
    """The instrument: readings of one share most of their error."""


@dataclass(frozen=True)
class HourlySeries:
    """Complete clock hours of one location, on a regular grid, each (n,); NaN where nothing usable was measured."""

    location: Location
    hour_s: Array
    temperature_c: Array
    relative_humidity_pct: Array
    vapour_pressure_pa: Array
    surface_temperature_c: Array
    uncertainty: Uncertainty
    probe: str | None
    spots: tuple[TimberSpot, ...] = ()
    """Timber measured by hand at the location."""

    def __len__(self) -> int:
        return len(self.hour_s)

    def last(self, hours: int) -> HourlySeries:
        """The same location's last hours only; the same object each time."""
        if len(self) <= hours:
            return self
        if hours not in self._shorter:
            self._shorter[hours] = self._last(hours)
        return self._shorter[hours]

    def once(self, what: tuple[str, float], make: Callable[[], Array]) -> Array:
        """What `make` computes from this series, once: many locations ask the same of the air beside them."""
        if what not in self._made:
            self._made[what] = make()
        return self._made[what]

    def forget(self) -> None:
        """Let go of what was made of it: whoever keeps the series does not keep that."""
        self._made.clear()
        self._shorter.clear()

    @cached_property
    def _shorter(self) -> dict[int, HourlySeries]:
        return {}

    @cached_property
    def _made(self) -> dict[tuple[str, float], Array]:
        return {}

    def _last(self, hours: int) -> HourlySeries:
        return HourlySeries(
            self.location,
            self.hour_s[-hours:],
            self.temperature_c[-hours:],
            self.relative_humidity_pct[-hours:],
            self.vapour_pressure_pa[-hours:],
            self.surface_temperature_c[-hours:],
            self.uncertainty,
            self.probe,
            self.spots,
        )

    @property
    def nbytes(self) -> int:
        """Bytes of the arrays."""
        columns = self.hour_s, self.temperature_c, self.relative_humidity_pct, self.vapour_pressure_pa
        return sum(column.nbytes for column in (*columns, self.surface_temperature_c))

    @property
    def end_s(self) -> float:
        """End of the last complete hour. [s]"""
        return float(self.hour_s[-1] + HOUR_S) if len(self) else 0.0


def placement_key(record: PlacementRecord) -> tuple[str, float]:
    """What names a placement: the probe and when it came."""
    return record.placement.probe, record.placement.from_time.timestamp()


def first_usable_hour(record: PlacementRecord, location: Location, air_settling_s: float) -> float:
    """Start of the first clock hour wholly after the probe settled. [s]"""
    start = record.placement.from_time.timestamp()
    if location.kind is LocationKind.SLAB_SLEEVE:
        return float(np.ceil(start / HOUR_S) * HOUR_S)
    return float(np.ceil((start + air_settling_s) / HOUR_S) * HOUR_S)


def build_hourly_series(
    location: Location,
    placements: Sequence[PlacementRecord],
    calibrations: Sequence[Calibration],
    masks: Masks,
    grid_start_s: float,
    as_of_s: float,
    air_settling_s: float,
    spots: tuple[TimberSpot, ...] = (),
) -> HourlySeries:
    """Put the placements at a location on one hourly grid from `grid_start_s` to the last complete hour.

    Where two probes stood at once, the surer one counts, of two that are as sure the one that stood first; in a sleeve
    the one that came later, for it was opened then. Their mean would be surer still, but would step whenever one of
    them comes, fails or goes.
    """
    end = np.floor(as_of_s / HOUR_S) * HOUR_S
    n = max(0, round(float(end - grid_start_s) / HOUR_S))
    grid = grid_start_s + HOUR_S * np.arange(n, dtype=np.float64)
    t, rh, vp, surface = (np.full(n, np.nan) for _ in range(4))
    uncertainty, probe = Uncertainty(SERIES.unplaced_u_temperature_k, SERIES.unplaced_u_rh_pct), None
    newest = -1
    for record in (
        placements if location.kind is LocationKind.SLAB_SLEEVE else by_rank(placements, calibrations, as_of_s)
    ):
        hourly = corrected_hourly(record.hourly, record.placement, calibrations)
        index = np.rint((hourly.hour_s - grid_start_s) / HOUR_S).astype(np.int64)
        use = (index >= 0) & (index < n)
        use &= hourly.hour_s >= first_usable_hour(record, location, air_settling_s)
        mask = masks.get(placement_key(record))
        if mask is not None:
            use &= mask == 0.0
        every = bool(use.all())
        at = index if every else index[use]
        here_t, here_rh, here_surface = (
            column if every else column[use]
            for column in (hourly.temperature_c, hourly.relative_humidity_pct, hourly.surface_temperature_c)
        )
        t[at], rh[at], surface[at] = here_t, here_rh, here_surface
        over = record.placement.humidity_over.value
        vp[at] = vapour_pressure(here_t, np.clip(here_rh, 0.0, SERIES.max_rh_pct), humidity_over=over)
        if not len(at) or at[-1] >= newest:
            newest = int(at[-1]) if len(at) else newest
            uncertainty, probe = uncertainty_of(record.placement, calibrations, as_of_s), record.placement.probe
    return HourlySeries(location, grid, t, rh, vp, surface, uncertainty, probe, spots)


def by_rank(
    placements: Sequence[PlacementRecord], calibrations: Sequence[Calibration], as_of_s: float
) -> list[PlacementRecord]:
    """Placements with the one that counts most last: the surest humidity, and of equals the one that stood first."""
    if len(placements) < 2:
        return list(placements)

    def rank(record: PlacementRecord) -> tuple[float, float, str]:
        u = uncertainty_of(record.placement, calibrations, as_of_s).relative_humidity_pct
        return u, record.placement.from_time.timestamp(), record.placement.probe

    return sorted(placements, key=rank, reverse=True)


@dataclass(frozen=True)
class ReferenceSeries:
    """Tracks of the air around an element, on the element's own hours; None where there is none."""

    air: HourlySeries | None
    """The air it dries into: its reference, else its room."""
    room: HourlySeries | None
    outdoor: HourlySeries | None
    control: HourlySeries | None = None
    """A similar location that stayed dry, where the goal is a distance from it."""

    def last(self, hours: int) -> ReferenceSeries:
        """The same, of the last hours only."""
        return ReferenceSeries(
            *(
                None if series is None else series.last(hours)
                for series in (self.air, self.room, self.outdoor, self.control)
            )
        )


def is_sleeve(series: HourlySeries) -> bool:
    """Whether the track is of a sealed sleeve."""
    return series.location.kind is LocationKind.SLAB_SLEEVE
