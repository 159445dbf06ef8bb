"""Sentences of what the drying could harm and of what could be done: ventilation, heating, dehumidifying."""

from __future__ import annotations

from monitord.model.damage import Airing, AiringEffect, Measure, MeasureEffect, MeasureKind, WetPlaces
from monitord.model.quantity import Quantity
from monitord.text import formats
from monitord.text.speaker import Slots, Speaker

CHANGE, CHANGES = "1 air change an hour", "{count} air changes an hour"

AIRING = {
    AiringEffect.DRIES: "Open windows dry now: the outdoor air is drier by {amount}; that carries out {water} of water "
    "at {changes} in {volume}.",
    AiringEffect.WETS: "Keep windows shut: the outdoor air is wetter by {amount}; ventilating brings in {water} of "
    "water at {changes} in {volume}.",
    AiringEffect.NO_CLEAR_DIFFERENCE: "Ventilating makes no clear difference now: {difference}.",
    AiringEffect.UNKNOWN: "Ventilation: not known, room and outdoor air were not read at the same time.",
}
DAY_OUT = (
    "Over the last day the outdoor air was clearly drier in {share} of the hours; ventilating all day would have "
    "carried about {day_water} out."
)
DAY_IN = (
    "Over the last day the outdoor air was clearly drier in {share} of the hours; ventilating all day would have "
    "brought about {day_water} in."
)
CONDENSES = "Outdoor air would condense on the cold surface at {surface}."

PLACES = {
    WetPlaces.MONITORED: "the wet locations beside it",
    WetPlaces.ASSUMED: "wet surfaces in the room",
}
KINDS = {
    MeasureKind.VENTILATE: "ventilating",
    MeasureKind.HEAT: "heating",
    MeasureKind.DEHUMIDIFY: "dehumidifying",
}
HOW = {
    MeasureKind.VENTILATE: "Ventilating at {setting}",
    MeasureKind.HEAT: "Heating by {setting}, windows shut,",
    MeasureKind.DEHUMIDIFY: "Dehumidifying to {setting}",
}
EFFECTS = {
    MeasureEffect.RAISES: "{how} raises the vapour-pressure difference from {present} to about {then}.",
    MeasureEffect.LOWERS: "{how} lowers the vapour-pressure difference from {present} to about {then}.",
    MeasureEffect.LEAVES: "{how} leaves the vapour-pressure difference at {present}.",
}
AS_GOOD = {1: "{first} about as much", 2: "{first} and {second} about as much"}
BEST = ("For {what}, {best} looks best ({as_good}).", "For {what}, {best} looks best.")
NO_MEASURE = "None of ventilating, heating and dehumidifying would clearly raise the vapour-pressure difference."
NO_ORDER = "A suggestion from a simple balance, not an order."

MESSAGES = (
    *(CHANGE, CHANGES),
    *AIRING.values(),
    *(DAY_OUT, DAY_IN, CONDENSES),
    *PLACES.values(),
    *KINDS.values(),
    *HOW.values(),
    *EFFECTS.values(),
    *AS_GOOD.values(),
    *BEST,
    *(NO_MEASURE, NO_ORDER),
)


def airing_sentence(speaker: Speaker, found: Airing, surface: str = "") -> str:
    """Whether to open the windows of a room, and what would speed the drying most.

    Parameters
    ----------
    surface : Label of the location on whose surface the outdoor air would condense; read where there is one.
    """
    parts = [speaker.say((AIRING[found.effect],), _airing_slots(speaker, found))]
    if found.day_share is not None and found.day_water is not None:
        slots = {
            "share": formats.bare(round(100.0 * found.day_share), "%", speaker.language),
            "day_water": about(speaker, found.day_water),
        }
        parts.append(speaker.say((DAY_OUT if found.day_water.value >= 0.0 else DAY_IN,), slots))
    if found.condenses_on is not None:
        parts.append(speaker.say((CONDENSES,), {"surface": surface}))
    parts.append(measures_sentence(speaker, found))
    return " ".join(part for part in parts if part)


def _airing_slots(speaker: Speaker, found: Airing) -> Slots:
    return {
        "amount": speaker.size(found.difference),
        "difference": speaker.signed(found.difference),
        "water": speaker.size(found.water),
        "changes": _changes(speaker, found.air_changes_per_h),
        "volume": speaker.bare(found.volume),
    }


def _changes(speaker: Speaker, per_hour: float) -> str:
    if per_hour == 1.0:
        return speaker.text(CHANGE)
    return speaker.say((CHANGES,), {"count": formats.bare(per_hour, "", speaker.language)})


def about(speaker: Speaker, water: Quantity) -> str:
    """An amount of water that is known to two figures at best: `480 g`, `1.2 kg`."""
    shown = speaker.convert(water)
    value, unit = abs(shown.value), shown.unit
    if unit == "g" and value >= 1000.0:
        value, unit = value / 1000.0, "kg"
    return formats.bare(round(value, 0 if unit == "g" else 1), unit, speaker.language)


def measures_sentence(speaker: Speaker, found: Airing) -> str:
    """What would speed the drying most, as a suggestion with its reason; empty where no balance was drawn up."""
    if not found.measures or found.dries is None:
        return ""
    if not found.helps:
        return speaker.text(NO_MEASURE)
    alike = [speaker.text(KINDS[kind]) for kind in found.as_good]
    named = dict(zip(("first", "second"), alike, strict=False))
    slots = {
        "what": speaker.text(PLACES[found.dries]),
        "best": speaker.text(KINDS[found.measures[0].name]),
        "as_good": speaker.say((AS_GOOD[len(alike)],), named) if alike else None,
    }
    each = " ".join(measure_sentence(speaker, measure) for measure in found.measures)
    return f"{speaker.say(BEST, slots)} {each} {speaker.text(NO_ORDER)}"


def measure_sentence(speaker: Speaker, measure: Measure) -> str:
    """What one measure would do to the vapour-pressure difference."""
    setting = measure.setting
    amount = _changes(speaker, setting.value) if setting.unit == "1/h" else speaker.limit(setting.value, setting.unit)
    how = speaker.say((HOW[measure.name],), {"setting": amount})
    slots = {"how": how, "present": speaker.bare(measure.present), "then": speaker.bare(measure.drive)}
    return speaker.say((EFFECTS[measure.effect],), slots)
