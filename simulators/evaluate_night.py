"""How well the night ahead is foretold on simulated winters, beside a baseline that expects each day like the last.

    python -m simulators.evaluate_night [--families condensation,cold_snap,sound] [--seeds 4] [--first 0]

Each evening of each job the program sees what had arrived by then and forecasts the margin of every cold surface over
the next 24 hours; the truth is the building's own surface and vapour, without probes. The baseline says that what
condensed in the day before will do so again, at the same hour and as deep. A third forecaster is the program with an
outdoor forecast: the weather that came, with the error that a real forecast would have.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.analysis.air.outdoor_forecast import OutdoorForecast
from monitord.analysis.damage import assess_damage
from monitord.analysis.hourly_results import HourlyResults, compute_hourly_results
from monitord.analysis.parameters import ASSESSMENT
from monitord.analysis.series.times import utc
from monitord.analysis.surfaces.cold_surface import Track, surfaces_of_hours
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.damage import NightAhead
from monitord.model.jobs import JobFile
from monitord.model.series import HOUR_S
from monitord.physics.moist_air import dew_or_frost_point, saturation_vapour_pressure
from monitord.replay.recorder import Recorder
from simulators.evaluation.night_scores import Evening, NightForecast, NightScore
from simulators.jobs.families import FAMILIES
from simulators.jobs.generate import SimulatedJob, generate
from simulators.scenario import STEP_S

Array = NDArray[np.float64]

DAY_S, HALF_HOUR_STEPS = 86_400.0, round(1800.0 / STEP_S)
OURS, WITH_WEATHER, BASELINE = "the program", "with an outdoor forecast", "each day like the last"
_OPTIONS = AnalysisOptions()


@dataclass(frozen=True)
class _Job:
    """A simulated job with its true margins."""

    made: SimulatedJob
    job: JobFile
    margins: dict[str, Array]
    """At each location with a watched surface, at each ten minutes. [K]"""


def _prepare(made: SimulatedJob) -> _Job:
    margins = {}
    for key, history in made.histories.items():
        if history.surface_c is not None:
            vapour = np.maximum(history.vapour_pressure_pa, 0.2)
            margins[key] = history.surface_c - np.asarray(dew_or_frost_point(vapour))
    return _Job(made, JobFile.model_validate(made.job), margins)


def _evenings(made: SimulatedJob, zone: ZoneInfo) -> Iterator[float]:
    """One full hour each day at which the program makes its view, between 15 and 21 o'clock on site. [POSIX s]"""
    at = np.ceil((made.truth.start_s + 2 * DAY_S) / ASSESSMENT.damage_every_s) * ASSESSMENT.damage_every_s
    while at + DAY_S <= made.truth.end_s:
        if 15 < utc(float(at)).astimezone(zone).hour <= 21:
            yield float(at)
        at += ASSESSMENT.damage_every_s


def _truth(margin: Array, time_s: Array, at_s: float, place: str) -> Evening:
    before = margin[(time_s >= at_s - DAY_S) & (time_s < at_s)]
    after = margin[(time_s >= at_s) & (time_s < at_s + DAY_S)]
    wet = np.convolve((after < 0.0).astype(int), np.ones(HALF_HOUR_STEPS, int), "valid") == HALF_HOUR_STEPS
    first = float(np.argmax(wet)) * STEP_S / HOUR_S if wet.any() else None
    return Evening(bool((before < 0.0).any()), bool(wet.any()), first, float(after.min()), place)


def _ours(ahead: NightAhead) -> NightForecast:
    after = None if ahead.expected_from is None else (ahead.expected_from - ahead.made_at).total_seconds() / HOUR_S
    return NightForecast(ahead.probability, after, ahead.deepest.value, ahead.deepest.u)


def _baseline(job: JobFile, hours: HourlyResults, key: str) -> NightForecast | None:
    """What the margin measured over the last day says if the next is the same."""
    location, outdoor = job.location(key), job.outdoor()
    room = job.room_of(location) or location
    out = hours.all_series[outdoor.id] if outdoor is not None else None
    surface = surfaces_of_hours([Track(hours.all_series[key], hours.all_series[room.id], out)], _OPTIONS)[0]
    if surface is None or not np.isfinite(surface.margin_k[-24:]).any():
        return None
    margin = surface.margin_k[-24:]
    wet = np.flatnonzero(margin <= 0.0)
    return NightForecast(float(len(wet) > 0), float(wet[0]) if len(wet) else None, float(np.nanmin(margin)), None)


def _weather(made: SimulatedJob, at_s: float, rng: np.random.Generator) -> OutdoorForecast | None:
    """The outdoor air that came in the next day and a half, as a forecast with an error of its own would have it."""
    outdoor = next((p["id"] for p in made.job["locations"] if p["kind"] == "outdoor_air"), None)
    if outdoor is None:
        return None
    history = made.histories[outdoor]
    pick = (made.time_s >= at_s) & (made.time_s < at_s + 1.5 * DAY_S)
    t = history.temperature_c[pick] + rng.normal(0.0, 1.0)
    dew = np.asarray(dew_or_frost_point(np.maximum(history.vapour_pressure_pa[pick], 0.2))) + rng.normal(0.0, 1.2)
    rh = 100.0 * np.asarray(saturation_vapour_pressure(dew)) / np.asarray(saturation_vapour_pressure(t, "water"))
    return OutdoorForecast(made.time_s[pick], t, np.clip(rh, 1.0, 100.0))


def score(made: SimulatedJob, scores: dict[str, NightScore], every: int = 1) -> int:
    """Forecast each evening of one job, or each `every`-th, and add the outcomes to the scores; returns how many."""
    known, recorder, rows = _prepare(made), Recorder(JobFile.model_validate(made.job)), 0
    readings, fed = made.readings, 0
    rng = np.random.default_rng(made.seed)
    for at_s in list(_evenings(made, known.job.zone))[::every]:
        while fed < len(readings) and readings.received_s[fed] <= at_s:
            recorder.add(readings.probes[readings.probe[fed]], _row(made, fed))
            fed += 1
        hours = compute_hourly_results(known.job, recorder.record(at_s), at_s, _OPTIONS)
        plain = assess_damage(known.job, hours, _OPTIONS)
        weather = assess_damage(known.job, hours, _OPTIONS, outdoor_forecast=_weather(made, at_s, rng))
        for key, margin in known.margins.items():
            ahead, told, same = plain.at(key).night_ahead, weather.at(key).night_ahead, None
            if ahead is not None and told is not None:
                same = _baseline(known.job, hours, key)
            if ahead is None or told is None or same is None:
                continue
            was = _truth(margin, made.time_s, at_s, f"{made.family} {made.seed} {key}")
            for name, said in ((OURS, _ours(ahead)), (WITH_WEATHER, _ours(told)), (BASELINE, same)):
                scores[name].rows.append((was, said))
            rows += 1
    return rows


def _row(made: SimulatedJob, i: int) -> tuple[float, float, float, float, float, float]:
    r = made.readings
    values = (r.time_s, r.temperature_c, r.relative_humidity_pct, r.surface_temperature_c, r.battery_v, r.received_s)
    return tuple(float(column[i]) for column in values)  # type: ignore[return-value]


def new_scores() -> dict[str, NightScore]:
    """Empty scores of the three forecasters; the program's limit is that of its alert rule."""
    rule = default_rule_book().rule_for("condensation_expected", "any", None)
    limit = 0.5 if rule is None or rule.raise_at is None else rule.raise_at
    return {name: NightScore(name, limit) for name in (OURS, WITH_WEATHER, BASELINE)}


def table(scores: dict[str, NightScore]) -> Table:
    """The scores side by side."""
    shown = Table(title="Condensation in the 24 hours after an evening")
    for heading in ("", *scores):
        shown.add_column(heading, justify="left" if not heading else "right")

    def rate(label: str, came: bool, fresh: bool) -> None:
        found = [score.rate(came, fresh) for score in scores.values()]
        shown.add_row(f"{label} (of {found[0][1]})", *(f"{share:.0%}" for share, _ in found))

    def row(label: str, text: str, measure: Callable[[NightScore], float]) -> None:
        values = [measure(score) for score in scores.values()]
        shown.add_row(label, *("–" if np.isnan(value) else text.format(value) for value in values))

    rate("hit rate, all evenings", came=True, fresh=False)
    rate("false-alarm rate, all evenings", came=False, fresh=False)
    rate("hit rate after a day without", came=True, fresh=True)
    rate("false-alarm rate after a day without", came=False, fresh=True)
    row("median lead of hits", "{:.1f} h", lambda s: s.lead_h(fresh=False))
    row("median lead after a day without", "{:.1f} h", lambda s: s.lead_h(fresh=True))
    row("median error of the start", "{:.1f} h", NightScore.start_error_h)
    row("error of the least margin, rms", "{:.2f} K", NightScore.depth_error_k)
    row("least margin inside 80 % interval", "{:.0%}", NightScore.coverage)
    row("Brier score", "{:.3f}", NightScore.brier)
    row("skill over the place's own share", "{:.2f}", NightScore.skill_over_climatology)
    row("skill over the day before", "{:.2f}", NightScore.skill_over_persistence)
    row("reliability (0 is perfect)", "{:.3f}", lambda s: s.decomposition().reliability)
    return shown


def reliability_table(score: NightScore) -> Table:
    """What was said against what came, for each fifth of the probabilities."""
    shown = Table(title=f"Probabilities of {score.name}")
    for heading in ("said", "came", "evenings"):
        shown.add_column(heading, justify="right")
    for said, came, count in score.reliability():
        shown.add_row(f"{said:.0%}", f"{came:.0%}", str(count))
    return shown


def main() -> None:
    """Print hit rate, false-alarm rate and lead time of the night ahead, beside the baseline."""
    parser = argparse.ArgumentParser(prog="python -m simulators.evaluate_night", description=main.__doc__)
    parser.add_argument("--families", default="condensation,cold_snap,sound", help="with commas between")
    parser.add_argument("--seeds", type=int, default=4, help="how many jobs of each family")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    arguments = parser.parse_args()
    names = arguments.families.split(",")
    unknown = [name for name in names if name not in FAMILIES]
    if unknown:
        raise SystemExit(f"no family {unknown[0]!r}; there are {', '.join(FAMILIES)}")
    console, scores = Console(width=110), new_scores()
    for name in names:
        for seed in range(arguments.first, arguments.first + arguments.seeds):
            made = generate(name, seed)
            try:
                console.print(f"{name} {seed}: {score(made, scores)} forecasts")
            except ValueError as error:  # a job that the program would refuse
                console.print(f"{name} {seed}: left out, {str(error).splitlines()[0]}")
    console.print(table(scores))
    console.print(reliability_table(scores[OURS]))


if __name__ == "__main__":
    main()
