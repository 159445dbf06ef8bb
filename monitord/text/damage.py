"""Sentences of what the drying could harm and of what could be done: ventilation, heating, dehumidifying."""

from __future__ import annotations

from monitord.model.damage import (
    Caution,
    CautionKind,
    Measure,
    MeasureEffect,
    MeasureKind,
    MouldRisk,
    NightAhead,
    SurfaceSource,
    Ventilation,
    VentilationEffect,
    Warmth,
    WetPlaces,
    WoodMoisture,
)
from monitord.model.facts import Facts, Growth, Material, SurfaceKind
from monitord.model.quantity import Quantity
from monitord.text import formats
from monitord.text.speaker import Slots, Speaker

CHANGE, CHANGES = "1 air change an hour", "{count} air changes an hour"

VENTILATION = {
    VentilationEffect.DRIES: "Open windows dry now: the outdoor air is drier by {amount}; that carries out {water} of "
    "water at {changes} in {volume}.",
    VentilationEffect.WETS: "Keep windows shut: the outdoor air is wetter by {amount}; ventilating brings in {water} "
    "of water at {changes} in {volume}.",
    VentilationEffect.NO_CLEAR_DIFFERENCE: "Ventilating makes no clear difference now: {difference}.",
    VentilationEffect.UNKNOWN: "Ventilation: not known, room and outdoor air were not read at the same time.",
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

NIGHT = (
    "Condensation {likely} ({chance}) {window}, possibly from {possibly_from}; margin then {margin}.",
    "Condensation {likely} ({chance}) {window}; margin then {margin}.",
)
NIGHT_DRY = "No condensation expected in the next {hours} h: nearest {nearest}, margin then {margin}; chance {chance}."
BASIS = "By the daily cycle of the last {days} days."
BASIS_WITH_FORECAST = "By the daily cycle of the last {days} days and the outdoor forecast."

MOULD = "Mould index {index} ({low} to {high}; {stage}) {where}, taken as {material}."
STAGES = {
    None: "no growth by the model",
    Growth.EARLY: "conditions for early growth",
    Growth.VISIBLE: "conditions for visible growth",
}
IN_AIR = "in the air there"
AT_SURFACE = {
    (SurfaceKind.SURFACE, SurfaceSource.CONTACT): "at the surface, by contact sensor",
    (SurfaceKind.SURFACE, SurfaceSource.FACTOR): "at the surface, by temperature factor",
    (SurfaceKind.COLD_LEAF, SurfaceSource.CONTACT): "at the cold leaf, by contact sensor",
    (SurfaceKind.COLD_LEAF, SurfaceSource.FACTOR): "at the cold leaf, by temperature factor",
    (SurfaceKind.COLD_UNDERSIDE, SurfaceSource.CONTACT): "at the cold underside, by contact sensor",
    (SurfaceKind.COLD_UNDERSIDE, SurfaceSource.FACTOR): "at the cold underside, by temperature factor",
}
MATERIALS = {
    Material.VERY_SENSITIVE: "very sensitive material such as untreated pine",
    Material.SENSITIVE: "sensitive material such as planed wood or paper-faced board",
    Material.MEDIUM_RESISTANT: "medium resistant material such as concrete",
    Material.RESISTANT: "resistant material",
}
"""Each class of sensitivity."""
SOON = "At the present rate early growth in {days} days."
WEEK_HUMID = "Conditions for mould: mean humidity there {rh} over seven days."
HOURS_UNKNOWN = "{share} of the hours are not known and are not counted as dry."

TIMBER = (
    "Timber in this air holds about {value} (up to {high} if it was soaked at the start), heading for {end}.",
    "Timber in this air holds about {value} (up to {high} if it was soaked at the start).",
    "Timber in this air holds about {value}, heading for {end}.",
    "Timber in this air holds about {value}.",
)
WARMTHS = {
    Warmth.RUNS: "Over {limit} since {since}, warm enough to decay.",
    Warmth.SLOW: "Over {limit} since {since}, at a temperature at which decay is slow.",
    Warmth.STOPPED: "Over {limit} since {since}, too cold or too hot to decay now.",
}
SPOT = "Set by a spot reading of {spot} on {day}."
_APART_PCT = 1.0
"""From this difference on a soaked start is told of (our choice). [% of dry mass]"""

CAUTIONS = {
    CautionKind.FROST: "At {value} water pipes on outer walls may freeze, and machines that cool air ice up "
    "(common practice).",
    CautionKind.HEAT: "At {value} timber may warp and finishes and machines suffer (common practice).",
    CautionKind.DRIES_TOO_FAST: "Timber in this air would come to {value}: its surface dries too fast and may split, "
    "and screeds may curl (common practice).",
}

MESSAGES = (
    *NIGHT,
    *(NIGHT_DRY, BASIS, BASIS_WITH_FORECAST, MOULD),
    *STAGES.values(),
    IN_AIR,
    *AT_SURFACE.values(),
    *MATERIALS.values(),
    *(SOON, WEEK_HUMID, HOURS_UNKNOWN),
    *TIMBER,
    *WARMTHS.values(),
    SPOT,
    *CAUTIONS.values(),
    *(CHANGE, CHANGES),
    *VENTILATION.values(),
    *(DAY_OUT, DAY_IN, CONDENSES),
    *PLACES.values(),
    *KINDS.values(),
    *HOW.values(),
    *EFFECTS.values(),
    *AS_GOOD.values(),
    *BEST,
    *(NO_MEASURE, NO_ORDER),
)


def ventilation_sentence(speaker: Speaker, found: Ventilation, surface: str = "") -> str:
    """Whether to open the windows of a room, and what would speed the drying most.

    Parameters
    ----------
    surface : Label of the location on whose surface the outdoor air would condense; read where there is one.
    """
    parts = [speaker.say((VENTILATION[found.effect],), _ventilation_slots(speaker, found))]
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


def _ventilation_slots(speaker: Speaker, found: Ventilation) -> Slots:
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


def measures_sentence(speaker: Speaker, found: Ventilation) -> str:
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


def night_sentence(speaker: Speaker, found: NightAhead) -> str:
    """Whether a cold surface condenses in the hours to come, and what that rests on."""
    facts = Facts(
        chance=found.probability,
        margin=found.deepest,
        start=found.expected_from,
        until=found.expected_to,
        possibly_from=found.possibly_from,
    )
    slots = speaker.slots(facts)
    slots |= {
        "hours": str(found.hours),
        "nearest": speaker.moment(found.deepest_at),
        "days": str(found.cycle_days),
    }
    said = speaker.say((NIGHT_DRY,) if found.expected_from is None else NIGHT, slots)
    return f"{said} {speaker.say((BASIS_WITH_FORECAST if found.by_outdoor_forecast else BASIS,), slots)}"


def mould_sentence(speaker: Speaker, found: MouldRisk) -> str:
    """The mould index, where and on what, and where it is going."""
    language = speaker.language
    index, low, high = (formats.number(value, 1, language) for value in (found.index, found.low, found.high))
    slots: dict[str, str | None] = {
        "index": index,
        "low": low,
        "high": high,
        "stage": speaker.text(STAGES[found.growth]),
        "where": mould_where(speaker, found.surface, found.surface_source),
        "material": speaker.text(MATERIALS[found.material]),
        "days": None if found.days_to_1 is None else f"{found.days_to_1:.0f}",
        "rh": None if found.week_mean_rh is None else formats.bare(round(found.week_mean_rh), "% RH", language),
        "share": formats.bare(round(100.0 * found.unknown_share), "%", language),
    }
    parts = [speaker.say((MOULD,), slots)]
    if found.soon:
        parts.append(speaker.say((SOON,), slots))
    if found.early_caution:
        parts.append(speaker.say((WEEK_HUMID,), slots))
    if found.gaps_count:
        parts.append(speaker.say((HOURS_UNKNOWN,), slots))
    return " ".join(part for part in parts if part)


def mould_where(speaker: Speaker, surface: SurfaceKind | None, source: SurfaceSource | None) -> str:
    """Where the mould index is computed: in the air, or at a surface and how its temperature is known."""
    if surface is None or source is None:
        return speaker.text(IN_AIR)
    return speaker.text(AT_SURFACE[surface, source])


def timber_sentence(speaker: Speaker, found: WoodMoisture) -> str:
    """What timber beside this air would hold, for how long it has been wet, and what a spot reading set it to."""

    def content(value: float | None) -> str | None:
        return None if value is None else speaker.amount(Quantity(value=value, unit=found.value.unit))

    soaked = found.spot_at is None and found.high - found.value.value >= _APART_PCT
    slots = {
        "value": speaker.amount(found.value),
        "high": content(found.high) if soaked else None,
        "end": content(found.equilibrium),
        "limit": speaker.limit(found.above.value, found.above.unit),
        "since": speaker.day(found.above_since),
        "spot": speaker.amount(found.spot),
        "day": speaker.day(found.spot_at),
    }
    parts = [speaker.say(TIMBER, slots)]
    if found.above_since is not None:
        parts.append(speaker.say((WARMTHS[found.warmth],), slots))
    parts.append(speaker.say((SPOT,), slots))
    return " ".join(part for part in parts if part)


def caution_sentence(speaker: Speaker, found: Caution) -> str:
    """Frost, heat, or air that dries surfaces too fast."""
    return speaker.say((CAUTIONS[found.kind],), {"value": speaker.amount(found.value)})
