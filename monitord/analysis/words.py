"""Why each kind of finding matters and what to look at first, in plain words, with the cautions."""

from __future__ import annotations

_ELECTRICITY = "Switch off the supply before touching wet sockets, cables or machines."
_ASBESTOS = "Before drilling or opening old boards, tiles or screeds, have asbestos ruled out."
_MOULD = "Where mould may grow, keep people and dust away until it has been looked at with the protection it needs."

WHY: dict[str, str] = {
    "condensation": (
        "Water that the drying put into the air settles on the cold surface and wets it anew; mould follows."
    ),
    "condensation_expected": "Before water settles on a cold surface there is still time to dry or warm the air.",
    "mould": (
        "Mould grows in weeks where a surface stays humid; it harms people's health and may spread to what the drying "
        "was to save."
    ),
    "wood_decay": "Timber that stays this wet for long can rot, and what it carries may give way.",
    "freezing": "Frozen pipes burst and make a second water damage; a cooling dehumidifier ices up and stops.",
    "overheating": "Heat warps timber, harms finishes and machines, and dries surfaces faster than water can follow.",
    "probe_silent": "Silence is not dryness: this location counts as not known until the probe is heard.",
    "probe_fault": "A probe that lies is worse than none: it is out of every verdict until it is mended.",
    "drying_stalled": "Wet material that no longer dries keeps decaying and costs days of machines for nothing.",
    "rewetting": "New water undoes the drying, and points to a leak or another source that is still there.",
    "goal_unreachable": "With the air as it is now, waiting will not bring this location to its goal.",
    "drive_lost": "The air no longer takes water up as it did; drying stops within hours.",
    "goal_reached": "Machines may be freed, once the goal has been checked as the job's standard asks.",
    "equilibrated": "From now on the sleeve tells the concrete's own humidity, and its readings may be judged.",
    "forecast_slipping": "A date that keeps moving away is a sign that the drying is slower than it looks.",
    "low_battery": "A probe with an empty battery goes silent, and silence is not dryness.",
}

LOOK_FIRST: dict[str, str] = {
    "condensation": (
        "Take water out of the air (dehumidifier running, tank empty, door shut), warm the surface, or air if the "
        f"outdoor air is drier. {_ELECTRICITY} {_MOULD}"
    ),
    "condensation_expected": (
        "Before the night: dehumidifier running, its tank empty, its room shut; or a little warmth at the cold side. "
        f"{_ELECTRICITY}"
    ),
    "mould": (
        "How humid that surface is and why: cold, unheated, or wet behind. Dry or warm the air there; do not brush or "
        f"blow at what has grown. {_MOULD} {_ASBESTOS}"
    ),
    "wood_decay": (
        "Measure the timber itself with a moisture meter, near its ends and its underside; then find what keeps the "
        f"air there humid: ground, leak, no air change. {_MOULD} {_ASBESTOS} A floor on decayed timber may give way: "
        "keep off it until it has been judged."
    ),
    "freezing": (
        "The heating, then open windows; where pipes are at risk, shut off and drain them. "
        f"{_ELECTRICITY} No open flame to thaw a pipe."
    ),
    "overheating": (
        "The heaters' thermostats and what stands before them; let the heat out before opening up timber. "
        f"{_ELECTRICITY}"
    ),
    "probe_silent": "The battery, then whether something covers the probe, then the gateway.",
    "probe_fault": "Whether the probe still sits in its place, dry and whole; then check it beside a good one.",
    "drying_stalled": f"Is the dehumidifier running, its tank empty, the room shut and warm? {_ELECTRICITY}",
    "rewetting": (
        "The nearest pipe, trap, gutter or outside ground, then the probe's own seal. "
        f"{_ELECTRICITY} {_ASBESTOS} A wet ceiling or floor may give way: keep off it until it has been judged."
    ),
    "goal_unreachable": "Drier or warmer air: more dehumidification or heat, or a goal this building can reach.",
    "drive_lost": f"The dehumidifier: power, tank, hose, ice; then open doors and windows. {_ELECTRICITY}",
    "goal_reached": "Confirm with the check that the job's standard and the covering maker's limits ask for.",
    "equilibrated": "Nothing; keep the sleeve shut.",
    "forecast_slipping": "What changed in the room since the first forecast: machines, heating, doors, weather.",
    "low_battery": "Change the battery.",
}


def sure_words(probability: float) -> str:
    """A probability as people say it: never 0 or 100 % sure."""
    percent = round(100.0 * probability)
    if percent < 1:
        return "under 1 % sure"
    return "over 99 % sure" if percent > 99 else f"{percent} % sure"
