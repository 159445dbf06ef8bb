"""Names of causes, faults, surfaces, materials and severities, as they stand inside sentences."""

from __future__ import annotations

from monitord.model.alerts import Severity
from monitord.model.facts import Cause, Fault, Growth, Material, SurfaceKind

SEVERITIES = {Severity.ACT: "Today", Severity.WATCH: "This week", Severity.NOTE: "For information"}

FAULTS = {
    Fault.RANGE: "out of range",
    Fault.STUCK: "not changing",
    Fault.NOISY: "noisy",
    Fault.SPIKES: "spikes",
    Fault.CLOCK_AHEAD: "clock fast",
    Fault.CLOCK_BEHIND: "clock slow",
    Fault.LEFT_LOCATION: "moved",
    Fault.DRIFT: "drifting",
    Fault.OFFSET: "step",
    Fault.SATURATED: "saturated",
    Fault.GAPS: "readings missing",
}

SURFACES = {
    SurfaceKind.SURFACE: "Surface",
    SurfaceKind.COLD_LEAF: "Cold leaf",
    SurfaceKind.COLD_UNDERSIDE: "Cold underside",
}

MATERIALS = {
    Material.VERY_SENSITIVE: "very sensitive material",
    Material.SENSITIVE: "sensitive material",
    Material.MEDIUM_RESISTANT: "medium resistant material",
    Material.RESISTANT: "resistant material",
    Material.CONCRETE: "concrete",
    Material.TIMBER: "timber",
}

GROWTHS = {Growth.EARLY: "early growth", Growth.VISIBLE: "visible growth"}

CAUSES = {
    Cause.AIR_HOLDS: (
        "this air holds it near {end}; the room’s dehumidifier was taken out on {dehumidifier_out}",
        "this air holds it near {end}",
        "this air holds it above its goal; the room’s dehumidifier was taken out on {dehumidifier_out}",
        "this air holds it above its goal",
    ),
    Cause.ROOM_MORE_HUMID: (
        "the room air is more humid than it was; its dehumidifier was taken out on {dehumidifier_out}",
        "the room air is more humid than it was",
    ),
    Cause.FED_FROM_BELOW: ("moisture comes in from below",),
}
"""After "because"; the first whose slots are known."""

EXPLAINED = {
    True: "temperature and nearby air don't explain it",
    False: "without an outdoor probe weather can't be told from a leak",
}
"""A rise that is not explained, by whether an outdoor probe reported."""

DEW_POINT, FROST_POINT = "dew point {value}", "frost point {value}"

ANY_DAY = "any day"
"""When a goal is expected that may be met today already."""

MESSAGES = (
    ANY_DAY,
    *SEVERITIES.values(),
    *FAULTS.values(),
    *SURFACES.values(),
    *MATERIALS.values(),
    *GROWTHS.values(),
    *(text for texts in CAUSES.values() for text in texts),
    *EXPLAINED.values(),
    DEW_POINT,
    FROST_POINT,
)
