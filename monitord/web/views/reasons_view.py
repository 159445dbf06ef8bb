"""Why a location's page says what it says: the rule of its state, and each number with its equation and source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from monitord.model.assessments import Forecast, LocationAssessment, State, SurfaceSource
from monitord.text.formats import COVERAGE
from monitord.web.text.formats import amount, number, percent
from monitord.web.text.local_time import LocalTimes
from monitord.web.text.words import STATES, spelled

_AIR = "ASHRAE Handbook—Fundamentals 2017, ch. 1"
_OURS = "our method: monitord/analysis/METHOD.md"

RULES = {
    State.NO_DATA: "Silent, or every reading excluded. Not monitored is not dry.",
    State.REWETTING: "A rise that neither temperature nor nearby air explains, or a slab well above its drying curve.",
    State.SETTLING: "A sleeve after sealing, too soon for a prediction.",
    State.EQUILIBRATING: "A sleeve with a value that it is heading for: a prediction until its clock has run.",
    State.TOO_EARLY: "Fewer than three days recorded.",
    State.AT_GOAL: "Mean over the goal’s window plus its uncertainty is not above the goal.",
    State.STALLED: "Hardly any progress to come in a week, and the cause is seen.",
    State.OUT_OF_REACH: "In this air the forecast does not come to the goal within a year.",
    State.NOT_DRYING: "Rising, beyond the uncertainty of the rate; the cause is not known.",
    State.NO_CLEAR_TREND: "The rate’s uncertainty spans zero.",
    State.DRYING_SLOWLY: "Falling by less than a tenth of what remains in a week.",
    State.DRYING: "Falling, beyond the uncertainty of the rate.",
    State.RECORDED_ONLY: "No goal set, so nothing is judged.",
}


def rule_of(assessed: LocationAssessment) -> str:
    """The state by name with its rule, whatever else of the location leads its page."""
    rule = RULES[assessed.state]
    return f"{STATES[assessed.state].word}: {rule[0].lower()}{rule[1:]}"


@dataclass(frozen=True)
class Reason:
    """One number behind a state."""

    what: str
    value: str
    how: str
    source: str


def reasons(assessed: LocationAssessment, times: LocalTimes) -> list[Reason]:
    """The numbers in the order in which they follow from one another."""
    found = [*_of_air(assessed), *_of_drying(assessed, times), *_of_damage(assessed)]
    return [
        *found,
        Reason(
            "±",
            f"k = {COVERAGE:g}",
            "root of the summed squares of each input’s share",
            "JCGM 100:2008, 5.1.2 and 6.3.3",
        ),
    ]


def _of_air(at: LocationAssessment) -> Iterator[Reason]:
    if at.relative_humidity is not None:
        checked = "as reported, with the correction of the probe’s last check"
        yield Reason("Relative humidity", amount(at.relative_humidity), checked, "measured")
    if at.vapour_pressure is not None:
        yield Reason(
            spelled("Vapour pressure"), amount(at.vapour_pressure), "p = RH · p_sat(T)", f"{_AIR} eqs. 5, 6 and 12"
        )
    if at.dew_point is not None:
        yield Reason("Dew point", amount(at.dew_point), "the T at which p_sat(T) = p", f"{_AIR} eqs. 5 and 6")
    if at.humidity_ratio is not None:
        how = "w = 0.622 · p / (P − p), P by elevation"
        yield Reason("Humidity ratio", amount(at.humidity_ratio), how, f"{_AIR} eqs. 3 and 20")


def _of_drying(at: LocationAssessment, times: LocalTimes) -> Iterator[Reason]:
    if at.equilibrium is not None and at.equilibrium.predicted_rh is not None:
        shown = f"{number(at.equilibrium.predicted_rh, 0)} % RH"
        if at.equilibrium.low is not None and at.equilibrium.high is not None:
            shown += f", {number(at.equilibrium.low, 0)} to {number(at.equilibrium.high, 0)}"
        yield Reason("Heading for", shown, "approach of the sealed sleeve, extended to its end", _OURS)
    if at.drying is not None and at.drying.value is not None:
        how = "mean over the goal’s window"
        yield Reason("Goal’s value now", amount(at.drying.value), how, "goal: the job’s own")
    if at.drying is not None and at.drying.rate_per_day is not None:
        how = "slope, daily cycle and temperature removed; over five days, eight in a sleeve"
        yield Reason("Change a day", amount(at.drying.rate_per_day), how, _OURS)
    if at.forecast is not None:
        how = "falling-rate approach to what this air allows; holds the true date 4 times in 5"
        yield Reason("Dry", forecast_words(at.forecast, times), how, _OURS)


def _of_damage(at: LocationAssessment) -> Iterator[Reason]:
    risk = at.surface
    if risk is not None:
        by_factor = risk.source is SurfaceSource.FACTOR
        how = "T_e + f_Rsi · (T_i − T_e)" if by_factor else "contact sensor"
        source = "EN ISO 13788:2012" if by_factor else "measured"
        yield Reason("Surface temperature", amount(risk.surface_temperature), how, source)
        yield Reason("Margin", amount(risk.margin), "surface temperature − dew point", "definition")
        how = "normal distribution of the margin about its value"
        yield Reason("Chance of condensation", percent(risk.probability), how, "JCGM 100:2008, 5.1.2")
    if at.mould is not None:
        how = f"model for {at.mould.material} material on each hour’s temperature and surface RH"
        yield Reason(spelled("Mould index, 0 to 6"), number(at.mould.index, 1), how, "Hukka and Viitanen 1999")
    if at.wood is not None:
        how = "equilibrium with its air, which timber follows about two weeks late"
        yield Reason("Timber", amount(at.wood.value), how, "Wood Handbook FPL-GTR-282, ch. 4 eq. 4-5")


def forecast_words(made: Forecast, times: LocalTimes) -> str:
    """The interval of one forecast, in a few words."""
    if made.never or made.low is None:
        return "not in this air" if made.never else "not known"
    if made.high_never or made.high is None:
        return f"{times.day(made.low)} or later, perhaps not in this air"
    return times.days(made.low, made.high)
