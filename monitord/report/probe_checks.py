"""Checks of probes on stored readings, against each other or over a saturated salt: loaded, judged, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from monitord.analysis.probes.salt_check import SaltCheck, SaltProblem, salt_check
from monitord.analysis.probes.side_by_side import (
    Agreement,
    Offset,
    SideBySide,
    SideBySideCheck,
    Together,
    proposed_calibrations,
    side_by_side,
)
from monitord.analysis.series.calibration import corrected_series, last_check
from monitord.errors import JobFileError
from monitord.model.assessments import Quantity
from monitord.model.jobs import Calibration, JobFile, Placement
from monitord.model.units import Units, quantity_in, size_in, unit_in, value_in
from monitord.physics.fixed_points import SALTS
from monitord.store.series.records import load_series
from monitord.text import formats
from monitord.text.catalogue import FALLBACK, language

_ENGLISH = language(FALLBACK)
RESULTS = {True: "within", False: "out", None: "not known"}


def columns(units: Units, *, salt: bool) -> tuple[str, ...]:
    """What the columns of a check's rows are called, in its reader's units."""
    temperature, correction = f"temperature {unit_in('°C', units)}", f"correction {unit_in('K', units)}"
    if salt:
        return "probe", temperature, "humidity % RH", "fixed point % RH", "correction % RH", "result"
    return "probe", temperature, correction, "result", "humidity % RH", "correction % RH", "result"


@dataclass(frozen=True)
class Found:
    """What a check found."""

    rows: list[tuple[str, ...]]
    words: list[str]
    proposed: list[Calibration]
    passed: bool
    undecided: bool
    """Nothing can be said, or no majority shows which probe is wrong."""


def check_side_by_side(
    conn: Connection,
    job: JobFile,
    names: Sequence[str],
    start: datetime,
    end: datetime,
    by: str = "",
    units: Units = Units.METRIC,
) -> Found:
    """How probes that lay together agree, and what would correct those that do not.

    Raises
    ------
    JobFileError : the time is empty, or the job has no such probe.
    """
    probes, earlier = _load(conn, job, names, start, end)
    found = side_by_side(probes, start, end)
    return Found(
        rows=_rows(found, units),
        words=[side_by_side_words(found, units)],
        proposed=list(proposed_calibrations(found, end, by, earlier)),
        passed=found.outcome is Agreement.AGREE,
        undecided=found.outcome in (Agreement.UNKNOWN, Agreement.DISAGREE),
    )


def check_salt(
    conn: Connection,
    job: JobFile,
    names: Sequence[str],
    salt: str,
    start: datetime,
    end: datetime,
    by: str = "",
    units: Units = Units.METRIC,
) -> Found:
    """How probes stand to the fixed point of a saturated salt, and what to record of the check.

    Raises
    ------
    JobFileError : the time is empty, or the job has no such probe.
    """
    probes, earlier = _load(conn, job, names, start, end)
    found = [salt_check(probe, salt, end) for probe in probes]
    made = (check.proposed_calibration(by, last_check(earlier, check.probe, start)) for check in found)
    return Found(
        rows=[_salt_row(check, units) for check in found],
        words=[salt_words(check, units) for check in found],
        proposed=[calibration for calibration in made if calibration is not None],
        passed=all(check.within for check in found),
        undecided=all(check.within is None for check in found),
    )


def _load(
    conn: Connection, job: JobFile, names: Sequence[str], start: datetime, end: datetime
) -> tuple[list[Together], list[Calibration]]:
    """The readings of the time of a check, corrected as they are everywhere else, and the calibrations before it."""
    if end <= start:
        raise JobFileError("the check ends before it begins", remedy="Correct --from or --to")
    earlier = [check for check in job.calibrations if check.at <= start]
    probes = []
    for name in dict.fromkeys(names):
        placement = _placement(job, name, start, end)
        raw = load_series(conn, placement, start, end)
        before = [check for check in earlier if check.probe == name and check.accuracy is not None]
        newest = max(before, key=lambda check: check.at, default=None)
        accuracy = newest.accuracy if newest is not None and newest.accuracy is not None else placement.accuracy
        probes.append(Together(name, corrected_series(raw, placement, earlier), accuracy))
    return probes, earlier


def _placement(job: JobFile, probe: str, start: datetime, end: datetime) -> Placement:
    """The probe's last placement in the job, moved to the time of the check: it may have lain in a box before."""
    own = sorted((p for p in job.probes if p.probe == probe), key=lambda p: p.from_time)
    if not own:
        known = ", ".join(sorted({placement.probe for placement in job.probes})) or "(none yet)"
        raise JobFileError(
            f"job {job.job!r} has no probe {probe!r}", where=f"job {job.job}", remedy=f"Use one of {known}"
        )
    return own[-1].model_copy(update={"from_time": start, "to_time": end})


def _rows(found: SideBySide, units: Units) -> list[tuple[str, ...]]:
    if found.temperature is None or found.relative_humidity is None:
        return []
    return [
        (
            name,
            *_cells(found.temperature, name, 2, "°C", units),
            *_cells(found.relative_humidity, name, 1, "% RH", units),
        )
        for name in (offset.probe for offset in found.temperature.offsets)
    ]


def _cells(check: SideBySideCheck, probe: str, decimals: int, unit: str, units: Units) -> tuple[str, str, str]:
    offset: Offset = next(offset for offset in check.offsets if offset.probe == probe)
    mean = value_in(offset.mean, unit, units)
    return f"{mean:.{decimals}f}", _signed(offset.correction, units), RESULTS[offset.within]


def _salt_row(check: SaltCheck, units: Units) -> tuple[str, ...]:
    if check.temperature_c is None or check.measured is None or check.expected is None:
        return (check.probe, "-", "-", "-", "-", RESULTS[None])
    return (
        check.probe,
        f"{value_in(check.temperature_c, '°C', units):.1f}",
        f"{check.measured.value:.1f}",
        _shown(check.expected),
        _signed(check.correction, units),
        RESULTS[check.within],
    )


def _signed(correction: Quantity | None, units: Units) -> str:
    if correction is None:
        return "-"
    correction = quantity_in(correction, units)
    return f"{'+' if correction.value > 0.0 else ''}{_shown(correction)}"


def _shown(quantity: Quantity) -> str:
    """Value and ± as everywhere, without the unit: it stands in the head of the column or behind."""
    value, uncertainty, _ = formats.parts(quantity, _ENGLISH)
    return f"{value} {uncertainty}".strip().replace(formats.TIE, " ")


def side_by_side_words(found: SideBySide, units: Units = Units.METRIC) -> str:
    """The outcome of a side-by-side check in one sentence."""
    if found.temperature is None or found.relative_humidity is None:
        return "Not known: two probes at least must lie together for an hour and be read six times."
    said = [
        *_quantity_words(found.temperature, "temperature", "K", units),
        *_quantity_words(found.relative_humidity, "humidity", "% RH", units),
    ]
    text = "; ".join(said)
    if found.outcome is Agreement.DISAGREE:
        text += "; put a third probe, or a salt, beside them"
    if found.missing:
        text += f"; too few readings to be judged: {', '.join(found.missing)}"
    return f"Side by side: {text}."


def _quantity_words(check: SideBySideCheck, quantity: str, difference: str, units: Units) -> list[str]:
    said, means = [], [offset.mean for offset in check.offsets]
    spread, unit = size_in(max(means) - min(means), difference, units), unit_in(difference, units)
    if check.outcome is Agreement.AGREE:
        said.append(f"they agree in {quantity} (all within {spread:.1f} {unit})")
    elif check.outcome is Agreement.DISAGREE:
        said.append(f"they differ by {spread:.1f} {unit} in {quantity}, and no majority shows which is wrong")
    for odd in check.offsets:
        if odd.within is False and odd.correction is not None:
            correction = quantity_in(odd.correction, units)
            side = "low" if correction.value > 0 else "high"
            size = _shown(correction.model_copy(update={"value": abs(correction.value)}))
            said.append(f"{odd.probe} reads {size} {unit} too {side} in {quantity}")
    return said


_SALT_PROBLEMS = {
    SaltProblem.TOO_FEW_READINGS: "too few readings in the last two hours",
    SaltProblem.OUT_OF_RANGE: "the fixed points hold from 0 to 50 °C (32 to 122 °F)",
    SaltProblem.NOT_SETTLED: "the air in the box has not settled yet; leave it longer",
}


def salt_words(check: SaltCheck, units: Units = Units.METRIC) -> str:
    """The outcome of a check over a saturated salt in one sentence."""
    salt = SALTS[check.salt].name
    if check.problem is not None:
        return f"{check.probe} over {salt}: {_SALT_PROBLEMS[check.problem]}."
    if check.measured is None or check.expected is None or check.temperature_c is None:
        return f"{check.probe} over {salt}: not known."
    temperature = f"{value_in(check.temperature_c, '°C', units):.1f} {unit_in('°C', units)}"
    verdict = "within its accuracy" if check.within else "out of its accuracy"
    return (
        f"{check.probe} reads {check.measured.value:.1f} % RH over {salt}, which holds "
        f"{_shown(check.expected)} at {temperature}: {verdict} of ± {check.limit_pct:g}."
    )
