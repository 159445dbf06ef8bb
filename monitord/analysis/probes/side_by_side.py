"""Probes left together: do they agree within their stated accuracies, and if not, which is the odd one out?

Each probe says that the air's value lies within its accuracy of its mean. Where all those intervals share a value,
the probes agree. Where they do not, the value that most of them share is taken for the air's, and the probes whose
interval does not hold it are the odd ones (Marzullo and Owicki 1983, from memory). With no such majority, as with two
probes that disagree, it stays open which is wrong. Corrections are proposed, never applied:
a person puts them into the job as calibrations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.probes.parameters import PROBES
from monitord.analysis.series.calibration import last_check
from monitord.model.assessments import Quantity
from monitord.model.jobs import Accuracy, Calibration
from monitord.model.series import Array, Series
from monitord.physics.saturation import saturation_slope

METHOD = "side by side"
"""How a calibration record names the check."""


class Agreement(StrEnum):
    """How a check came out."""

    AGREE = "agree"
    ODD_ONE_OUT = "odd_one_out"
    DISAGREE = "disagree"
    """They differ by more than their accuracies, and no majority shows which is wrong."""
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Together:
    """One probe of a check: its readings, with the corrections that hold, and its stated ± accuracy."""

    probe: str
    series: Series
    accuracy: Accuracy


@dataclass(frozen=True)
class Offset:
    """How one probe stands to the air, in one quantity, in its unit (°C and K, or % RH)."""

    probe: str
    mean: float
    correction: Quantity | None
    """What would have to be added to it; None where the air's value is not known."""
    within: bool | None
    """Whether the air's value lies within the probe's accuracy."""


@dataclass(frozen=True)
class SideBySideCheck:
    """One quantity of a check."""

    outcome: Agreement
    reference: float | None
    """The air's value: the mean of the probes that agree."""
    offsets: tuple[Offset, ...]

    @property
    def odd(self) -> tuple[str, ...]:
        """The probes that are out of their accuracy."""
        return tuple(offset.probe for offset in self.offsets if offset.within is False)


@dataclass(frozen=True)
class SideBySide:
    """A check of probes left together."""

    start: datetime
    end: datetime
    outcome: Agreement
    temperature: SideBySideCheck | None
    relative_humidity: SideBySideCheck | None
    missing: tuple[str, ...] = ()
    """Probes with too few readings to be judged, in order of name."""

    @property
    def odd(self) -> tuple[str, ...]:
        """The probes that are out of their accuracy in either quantity, in order of name."""
        checks = [check for check in (self.temperature, self.relative_humidity) if check is not None]
        return tuple(sorted({probe for check in checks for probe in check.odd}))


def side_by_side(
    probes: Sequence[Together], start: datetime, end: datetime, settle_s: float = PROBES.together_settle_s
) -> SideBySide:
    """Check probes against each other over the time they lay together.

    Parameters
    ----------
    probes : Two or more, each with its raw readings, of that time or more.
    start, end : The time they lay together.
    settle_s : Left out at its beginning. [s]

    Returns
    -------
    The check; outcome `unknown` with fewer than two probes that reported enough.
    """
    enough = [p for p in probes if _enough(p, start, end, settle_s)]
    missing = tuple(sorted({p.probe for p in probes} - {p.probe for p in enough}))
    if len(enough) < 2:
        return SideBySide(start, end, Agreement.UNKNOWN, None, None, missing)
    t, rh = _common(enough, start, end, settle_s)
    level_c, level_rh = float(np.median(t)), float(np.median(rh))
    # air of one vapour pressure: a location warmer by 1 K reads lower by this share of its humidity
    within_c = min(max(level_c, PROBES.min_temperature_c), PROBES.max_temperature_c)
    uneven_rh = PROBES.uneven_k * level_rh * saturation_slope(within_c, "water")
    names = [p.probe for p in enough]
    temperature = _check(names, t, np.array([p.accuracy.temperature_c for p in enough]), PROBES.uneven_k, "K")
    humidity = _check(names, rh, np.array([p.accuracy.relative_humidity_pct for p in enough]), uneven_rh, "%")
    outcome = _worst(temperature.outcome, humidity.outcome)
    return SideBySide(start, end, outcome, temperature, humidity, missing)


def proposed_calibrations(
    found: SideBySide, at: datetime, by: str = "", earlier: Sequence[Calibration] = ()
) -> tuple[Calibration, ...]:
    """Corrections for the odd ones, for a person to accept: both quantities of each probe that is out of accuracy.

    Nothing is proposed for probes that agree: their offsets are within what they promise, and that other probes agree
    is no check against a known humidity. A quantity whose true value is not known is left as it is.

    Parameters
    ----------
    at : From when on the corrections hold.
    earlier : The probes' calibrations with which the checked readings were corrected; the proposals include them.
    """
    return tuple(_proposed(found, probe, at, by, last_check(earlier, probe, found.start)) for probe in found.odd)


def _proposed(found: SideBySide, probe: str, at: datetime, by: str, before: Calibration | None) -> Calibration:
    stood_c = before.temperature_correction_c if before is not None else 0.0
    stood_pct = before.relative_humidity_correction_pct if before is not None else 0.0
    return Calibration(
        probe=probe,
        at=at,
        temperature_correction_c=round(stood_c + _correction(found.temperature, probe), 2),
        relative_humidity_correction_pct=round(stood_pct + _correction(found.relative_humidity, probe), 2),
        method=METHOD,
        by=by,
    )


def _correction(check: SideBySideCheck | None, probe: str) -> float:
    for offset in check.offsets if check is not None else ():
        if offset.probe == probe and offset.within is False and offset.correction is not None:
            return offset.correction.value
    return 0.0


def _inside(series: Series, start: datetime, end: datetime, settle_s: float) -> NDArray[np.bool_]:
    """Which readings lie in the time of the check and are whole."""
    time = series.time_s
    within = (time >= start.timestamp() + settle_s) & (time < end.timestamp())
    return within & np.isfinite(series.temperature_c) & np.isfinite(series.relative_humidity_pct)


def _enough(one: Together, start: datetime, end: datetime, settle_s: float) -> bool:
    time = one.series.time_s[_inside(one.series, start, end, settle_s)]
    return (
        len(time) >= PROBES.together_min_readings
        and time[-1] - time[0] >= PROBES.together_min_s - PROBES.together_bin_s
    )


def _common(probes: list[Together], start: datetime, end: datetime, settle_s: float) -> tuple[Array, Array]:
    """Temperature and humidity of each probe in the ten-minute spans in which all reported, (probes, spans).

    Probes that report at other times are so compared on the same air. If they never reported in one span, as slow
    reporters may not, each keeps its own mean.
    """
    spans: list[dict[float, tuple[float, float]]] = []
    for one in probes:
        use = _inside(one.series, start, end, settle_s)
        key = np.floor(one.series.time_s[use] / PROBES.together_bin_s)
        t, rh = one.series.temperature_c[use], one.series.relative_humidity_pct[use]
        spans.append({k: (float(t[key == k].mean()), float(rh[key == k].mean())) for k in np.unique(key)})
    shared = sorted(set.intersection(*(set(span) for span in spans)))
    if len(shared) < PROBES.together_min_bins:
        means = np.array([np.mean(list(span.values()), axis=0) for span in spans])
        return means[:, :1], means[:, 1:]
    values = np.array([[span[k] for k in shared] for span in spans])
    return values[:, :, 0], values[:, :, 1]


def _check(names: list[str], values: Array, limits: Array, uneven: float, unit: str) -> SideBySideCheck:
    """Agreement of the probes' means in one quantity; `values` is (probes, spans), `limits` their ± accuracies.

    Source
    ------
    JCGM 100:2008, 4.3.7: ± limits are taken as rectangular, with a standard uncertainty of limit / √3.
    """
    means = values.mean(axis=1)
    wander = values - values.mean(axis=0)
    noise = wander.std(axis=1) / np.sqrt(values.shape[1])
    half = limits + PROBES.together_coverage * np.hypot(noise, uneven)
    holding, unique = _max_shared(means, half)
    if not unique or 2 * holding.sum() <= len(names):
        unknown = tuple(Offset(n, float(m), None, None) for n, m in zip(names, means, strict=True))
        return SideBySideCheck(Agreement.DISAGREE, None, unknown)
    weight = holding / limits**2
    reference = float((weight * means).sum() / weight.sum())
    u_reference = float(1.0 / np.sqrt((3.0 * weight).sum()))
    u = np.sqrt(u_reference**2 + noise**2 + uneven**2)
    offsets = tuple(
        Offset(
            name, float(mean), Quantity(value=reference - float(mean), u=float(uncertainty), unit=unit), bool(inside)
        )
        for name, mean, uncertainty, inside in zip(names, means, u, holding, strict=True)
    )
    return SideBySideCheck(Agreement.AGREE if holding.all() else Agreement.ODD_ONE_OUT, reference, offsets)


def _max_shared(means: Array, half: Array) -> tuple[NDArray[np.bool_], bool]:
    """Which intervals hold the value that most of them hold, and whether no other set of as many has one, too."""
    low, high = means - half, means + half
    sets = {tuple((low <= edge) & (edge <= high)) for edge in np.r_[low, high]}
    maximum = max(sum(held) for held in sets)
    best = sorted(held for held in sets if sum(held) == maximum)
    return np.array(best[0]), len(best) == 1


def _worst(one: Agreement, other: Agreement) -> Agreement:
    order = (Agreement.AGREE, Agreement.ODD_ONE_OUT, Agreement.DISAGREE)
    return max(one, other, key=order.index)
