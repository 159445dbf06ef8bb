"""One location as a tile, as a row and as a heading: words and figures, ready to be written."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

from monitord.model.assessments import LocationAssessment, State
from monitord.model.jobs import AIR_KINDS, GoalMetric, Location, LocationKind
from monitord.model.units import Units, unit_in, value_in
from monitord.text.formats import parts
from monitord.text.states import AWAITING, check_sentence, state_sentence, surface_sentence
from monitord.web.kept import Kept
from monitord.web.queries import JobState
from monitord.web.text.formats import amount, length, plain
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import (
    KINDS,
    NOT_ASSESSED,
    STATES,
    StatusStyle,
    english,
    flow_words,
    main_comparison,
    name_parts,
    speaker_of,
    spelled,
    style_of,
    surface_leads,
)
from monitord.web.views.damage_view import SpotGoalRow, spot_goal_row
from monitord.web.views.progress_bar import ProgressBar, progress_bar_of

_UNDECIDED = {State.SETTLING, State.EQUILIBRATING, State.TOO_EARLY}
_NOT_DRYING = {State.STALLED, State.REWETTING, State.NOT_DRYING}


@dataclass(frozen=True)
class LocationView:
    """A location as it is shown."""

    id: str
    label: str
    name: str
    detail: str
    """The rest of its name, with its depth; or what kind of location it is."""
    kind: str
    style: StatusStyle
    words: str
    check: str
    """What a check of its probe would gain, if anything."""
    figure: str
    figure_uncertainty: str
    progress_bar: ProgressBar | None
    spot_goal: str
    """How spot readings stand to their goal; empty where there is none."""
    goal: str
    """`goal 75 % RH`, where no progress bar shows it; empty where there is none."""
    until_dry: str
    """When it will be dry, in the table's few words."""
    humidity: str
    temperature: str
    flow: str
    last_seen_at: datetime | None = field(compare=False)
    """Of the present; two views that differ in nothing else say the same."""
    is_air: bool
    needs_tile: bool

    @property
    def beside(self) -> str:
        """Its sentence where the figure stands beside it: without the figure."""
        shown = f"{self.figure} {self.figure_uncertainty}".replace("\u00a0", " ")
        words = self.words.replace("\u00a0", " ")
        if not words.startswith((f"{shown}, ", f"{shown}; ")):
            return self.words
        rest = self.words[len(shown) + 2 :]
        return f"{rest[:1].upper()}{rest[1:]}"


_KEPT: Kept[LocationView] = Kept(3000)


def location_view(state: JobState, location: Location, times: LocalTimes, units: Units = Units.METRIC) -> LocationView:
    """A location as it is shown; one that was never assessed counts as not known."""
    assessed = state.assessment.at(location.id) if state.assessment is not None else None
    spot = spot_goal_row(state.job, location, state.now)
    key = (state.job.job, location.id, times.today, units, english().name)
    made = _KEPT.of((key, spot), (assessed, state.job), lambda: _made(location, assessed, spot, times, units))
    return replace(made, last_seen_at=state.location_last_seen_at(location.id))


def _made(
    location: Location, assessed: LocationAssessment | None, spot: SpotGoalRow | None, times: LocalTimes, units: Units
) -> LocationView:
    style = _style(assessed, spot)
    figure, uncertainty = _figure(assessed)
    name, rest = name_parts(location.label)
    bar = progress_bar_of(assessed.drying) if assessed is not None and not surface_leads(assessed) else None
    known = assessed is not None and assessed.state is not State.NO_DATA
    return LocationView(
        id=location.id,
        label=location.label,
        name=name,
        detail=_second_line(location, rest, units),
        kind=_detail(location, units)
        if location.depth_mm is None
        else f"{spelled(KINDS[location.kind])}, {_detail(location, units)}",
        style=style,
        words=""
        if assessed is not None and assessed.state is State.RECORDED_ONLY and spot
        else _words(assessed, times),
        check="" if assessed is None else check_sentence(speaker_of(times), assessed.facts),
        figure=figure,
        figure_uncertainty=uncertainty,
        progress_bar=bar if known else None,
        spot_goal="" if spot is None else spot.said,
        goal="" if bar is not None and known else _goal(location, units),
        until_dry="spot reading to come" if style is _BY_PROBE else dry_words(assessed, location, times),
        humidity=amount(assessed.relative_humidity) if assessed is not None and known else "—",
        temperature=plain(assessed.temperature) if assessed is not None and known else "—",
        flow=_flow(assessed, location),
        last_seen_at=None,
        is_air=location.kind in AIR_KINDS,
        needs_tile=location.kind not in AIR_KINDS or style.rank <= 5,
    )


_BY_PROBE = StatusStyle("At goal by its probe", "go", "wait", 9)
"""Its goal for spot readings is not known to be met."""


def _style(assessed: LocationAssessment | None, spot: SpotGoalRow | None) -> StatusStyle:
    """The status; it is at goal where each of its goals is met, by probe and by spot readings."""
    if assessed is None:
        return NOT_ASSESSED
    style = style_of(assessed)
    if spot is None:
        return style
    if style is STATES[State.AT_GOAL] and not spot.met:
        return _BY_PROBE
    return STATES[State.AT_GOAL] if style is STATES[State.RECORDED_ONLY] and spot.met else style


_GOAL_UNITS = {
    GoalMetric.RH: "% RH",
    GoalMetric.EQUILIBRIUM_RH: "% RH",
    GoalMetric.VAPOUR_PRESSURE_EXCESS: "Pa",
    GoalMetric.TIMBER_MOISTURE: "% MC",
    GoalMetric.RH_OVER_CONTROL: "% RH over the control",
    GoalMetric.TIMBER_OVER_CONTROL: "% MC over the control",
}


def _goal(location: Location, units: Units) -> str:
    if location.goal is None:
        return ""
    unit = _GOAL_UNITS[location.goal.metric]
    return f"goal {value_in(location.goal.limit, unit, units):.4g} {unit_in(unit, units)}"


def _second_line(location: Location, rest: str, units: Units) -> str:
    """What stands under a location's name: the rest of the name, with the depth unless it is in it."""
    if not rest:
        return _detail(location, units)
    return rest if location.depth_mm is None or " mm" in rest else f"{rest}, {_detail(location, units)}"


def _detail(location: Location, units: Units) -> str:
    if location.kind is LocationKind.SLAB_SLEEVE and location.depth_mm is not None:
        return f"{length(location.depth_mm, units)} deep"
    return spelled(KINDS[location.kind])


def _figure(assessed: LocationAssessment | None) -> tuple[str, str]:
    """The one figure of a tile, rounded as its sentence is: the goal's own metric if there is one, else humidity."""
    if assessed is None:
        return "—", ""
    if surface_leads(assessed) and assessed.surface is not None:
        value, uncertainty, unit = parts(assessed.surface.margin, english())
        return value, f"{uncertainty} {unit} margin".strip()
    quantity = assessed.drying.value if assessed.drying is not None else None
    bare = quantity is None
    quantity = quantity or assessed.relative_humidity
    if quantity is None:
        return "—", ""
    value, uncertainty, unit = parts(quantity, english())
    unit = "% RH" if bare and unit == "%" else unit
    if assessed.state is State.NO_DATA:
        return "—", f"last {value} {unit}"
    return value, f"{uncertainty} {unit}".strip()


def _words(assessed: LocationAssessment | None, times: LocalTimes) -> str:
    speaker = speaker_of(times)
    if assessed is None:
        return speaker.text(AWAITING)
    if surface_leads(assessed) and assessed.surface is not None:
        return surface_sentence(speaker, assessed.surface)
    return state_sentence(speaker, assessed.state, assessed.facts)


def dry_words(assessed: LocationAssessment | None, location: Location, times: LocalTimes) -> str:
    """When a location will be dry, in a few words for a table."""
    if location.goal is None:
        return "no goal"
    if assessed is None or assessed.state is State.NO_DATA:
        return "not known"
    if assessed.state is State.AT_GOAL:
        since = assessed.drying.since if assessed.drying is not None else None
        return f"since {times.day(since)}" if since is not None else "now"
    if assessed.state in _UNDECIDED:
        return "no verdict yet"
    forecast = assessed.forecast
    if forecast is not None and forecast.never:
        return "not in this air"
    if assessed.state in _NOT_DRYING:
        return "not in this state"
    if forecast is None or forecast.low is None:
        return "not known yet"
    if forecast.high_never or forecast.high is None:
        return f"{times.day(forecast.low)} or later, perhaps not in this air"
    return times.days(forecast.low, forecast.high)


def _flow(assessed: LocationAssessment | None, location: Location) -> str:
    if assessed is None or assessed.state is State.NO_DATA:
        return "not known"
    comparison = main_comparison(assessed)
    if comparison is None:
        return "it is the outdoor air" if location.kind is LocationKind.OUTDOOR_AIR else "nothing to compare with"
    return flow_words(comparison)
