"""Sentences of a location against other air, of two depths of a slab, and of where a cavity's vapour comes from."""

from __future__ import annotations

from monitord.model.assessments import (
    Comparison,
    DepthComparison,
    DepthVerdict,
    FarSide,
    Flow,
    MoistureSource,
    SourceReason,
)
from monitord.text.speaker import Speaker

AIRS = {"room": "the room air", "outdoors": "the outdoor air"}
OTHER_AIR = "the air it is compared with"

FLOWS = {
    Flow.OUT_OF: "Vapour is driven from {location} into {air}: {amount}.",
    Flow.INTO: "Vapour is driven from {air} into {location}: {amount}.",
    Flow.NO_CLEAR_DIFFERENCE: "No clear difference between {location} and {air}: {amount}.",
    Flow.UNKNOWN: "Not known: {other} was not read at the same time.",
}

DEPTHS = (
    "{moisture} at {depth}, {other} at {other_depth} (mean of {sleeves} sleeves), both as at {level}: "
    "deeper is {excess} {way}.",
    "{moisture} at {depth}, {other} at {other_depth}, both as at {level}: deeper is {excess} {way}.",
)
WETTER, DRIER = "wetter", "drier"
PREDICTION = "Prediction, no verdict: not every sleeve is equilibrated."
DEPTHS_ALIKE = "No clear difference between the depths."
DEPTH_VERDICTS = {
    DepthVerdict.SHALLOWER_WETTER: "Shallower is wetter: moisture came from this side.",
    DepthVerdict.CORE_WET: "The core is still wet.",
    DepthVerdict.DEEPER_WETTER: "Moisture comes from behind, or the core is still wet.",
}
FAR_SIDES: dict[FarSide, tuple[str, ...]] = {
    FarSide.TOO_EARLY: ("Whether the far side feeds it needs a week more of readings.",),
    FarSide.DEEP_RISES: (
        "The deep sleeve gets wetter ({rate} a day over {days} days) while it loses to the shallow one: "
        "water comes in behind it.",
    ),
    FarSide.DEEP_FALLS: ("The deep sleeve falls ({rate} a day over {days} days): the far side does not keep it wet.",),
    FarSide.DEEP_HOLDS: (
        "The deep sleeve has not fallen in {days} days while the shallow one has: the far side may feed it, "
        "or the drying has not reached that depth yet.",
    ),
    FarSide.NEITHER_FALLS: (
        "Neither falls over {days} days, though usual concrete would lose {loss} a day there: "
        "the far side still feeds it.",
    ),
    FarSide.NOT_CLEAR: ("Neither sleeve falls clearly; whether the far side feeds it can’t be said yet.",),
}

SOURCES = {
    SourceReason.TOO_FEW_HOURS: "Not known: too few hours of the last 3 days with readings of the air on either side.",
    SourceReason.ABOVE_BOTH: "More vapour than the air on both sides: the construction gives it off.",
    SourceReason.BETWEEN: "Between the air on both sides: vapour of the room gets in, or a weak source in the "
    "construction is ventilated outwards.",
    SourceReason.AS_ROOM: "It holds the vapour of the room.",
    SourceReason.ABOVE_ROOM: "More vapour than the room and no more than the outdoor air.",
    SourceReason.BELOW_BOTH: "No excess: drier than the air on both sides.",
    SourceReason.AS_OUTDOORS: "No excess: it holds outdoor air.",
    SourceReason.NOT_ABOVE: "No excess: no more vapour than the air on either side.",
    SourceReason.ABOVE_ROOM_ALONE: "More vapour than the room air; without the outdoor air it is not known whether it "
    "comes from outdoors or from the construction.",
    SourceReason.ABOVE_OUTDOORS_ALONE: "More vapour than the outdoor air; without the room air it is not known whether "
    "it comes from the room or from the construction.",
    SourceReason.NOT_ABOVE_ROOM_ALONE: "No excess: no more vapour than the room air.",
    SourceReason.NOT_ABOVE_OUTDOORS_ALONE: "No excess: no more vapour than the outdoor air.",
}
SOURCE_AMOUNTS = (
    "Mean of the last days: {room} against the room, {outdoors} against outdoors.",
    "Mean of the last days: {room} against the room.",
    "Mean of the last days: {outdoors} against outdoors.",
)

MESSAGES = (
    *AIRS.values(),
    OTHER_AIR,
    *FLOWS.values(),
    *DEPTHS,
    *(WETTER, DRIER, PREDICTION, DEPTHS_ALIKE),
    *DEPTH_VERDICTS.values(),
    *(text for texts in FAR_SIDES.values() for text in texts),
    *SOURCES.values(),
    *SOURCE_AMOUNTS,
)


def comparison_sentence(speaker: Speaker, found: Comparison, location: str, other: str) -> str:
    """What a comparison tells.

    Parameters
    ----------
    location, other : Labels of the location and of the other air.
    """
    if found.depths is not None:
        return depths_sentence(speaker, found.depths)
    slots = {
        "location": location,
        "other": other,
        "air": speaker.text(AIRS.get(found.role, OTHER_AIR)),
        "amount": speaker.size(found.vapour_pressure_difference),
    }
    return speaker.say((FLOWS[found.flow],), slots)


def depths_sentence(speaker: Speaker, found: DepthComparison) -> str:
    """What two depths of a slab tell: the numbers, the verdict, and whether the far side feeds it."""
    amounts = speaker.say(
        DEPTHS,
        {
            "moisture": speaker.amount(found.moisture),
            "other": speaker.amount(found.other),
            "depth": speaker.bare(found.depth),
            "other_depth": speaker.bare(found.other_depth),
            "sleeves": str(found.other_sleeves) if found.other_sleeves > 1 else None,
            "level": speaker.bare(found.brought_to),
            "excess": speaker.size(found.deeper_excess),
            "way": speaker.text(WETTER if found.deeper_excess.value >= 0.0 else DRIER),
        },
    )
    if found.verdict is DepthVerdict.PREDICTION:
        return f"{speaker.text(PREDICTION)} {amounts}"
    if found.verdict is DepthVerdict.NO_CLEAR_DIFFERENCE:
        return f"{speaker.text(DEPTHS_ALIKE)} {amounts}"
    said = f"{amounts} {speaker.text(DEPTH_VERDICTS[found.verdict])}"
    return said if found.far_side is None else f"{said} {_far_side(speaker, found, found.far_side)}"


def _far_side(speaker: Speaker, found: DepthComparison, far_side: FarSide) -> str:
    slots = {
        "rate": speaker.signed(found.deep_rate, decimals=2),
        "days": None if found.rate_days is None else str(found.rate_days),
        "loss": speaker.bare(found.expected_loss, decimals=2),
    }
    return speaker.say(FAR_SIDES[far_side], slots)


def source_sentence(speaker: Speaker, found: MoistureSource) -> str:
    """Where the vapour of a cavity or void comes from, with the amounts that it rests on."""
    slots = {"room": speaker.signed(found.over_room), "outdoors": speaker.signed(found.over_outdoors)}
    return f"{speaker.text(SOURCES[found.reason])} {speaker.say(SOURCE_AMOUNTS, slots)}".rstrip()
