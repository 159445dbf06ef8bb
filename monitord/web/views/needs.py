"""What of a job needs a person: where, what, why, since when and what to do, each cause once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from monitord.model.assessments import State
from monitord.model.facts import FindingKind
from monitord.text.alerts import steps
from monitord.web.queries import JobState
from monitord.web.text.formats import counted
from monitord.web.text.words import STATES, StatusStyle, surface_leads
from monitord.web.views.alert_view import AlertView, Tier
from monitord.web.views.location_view import LocationView

_TOGETHER = 3
"""Number of locations with the same need from which they are told in one line: most likely one cause. Our choice."""
_NAMED = 2
"""Locations that such a line names."""

_AS_ALERT = {
    State.REWETTING: FindingKind.REWETTING,
    State.STALLED: FindingKind.DRYING_STALLED,
    State.NOT_DRYING: FindingKind.DRYING_STALLED,
    State.OUT_OF_REACH: FindingKind.GOAL_UNREACHABLE,
    State.NO_DATA: FindingKind.PROBE_SILENT,
}
"""Whose first thing to check is told for a state that no alert tells of (yet)."""

_CLOSES_ITSELF = "nothing while it stays so."


@dataclass(frozen=True)
class Need:
    """One thing that someone should see to."""

    id: str
    tier: Tier
    style: StatusStyle
    place: str
    location: str | None
    """None where several locations are meant, or none."""
    what: str
    """Name of the alert or the state, as it stands inside a sentence."""
    since: datetime | None
    why: str
    do: str
    easing: bool = False
    """Whether its condition no longer holds."""
    alerts: tuple[AlertView, ...] = ()
    """Everything open there, the most pressing first."""
    places: tuple[tuple[str, str], ...] = ()
    """Where several locations are meant: the id and the name of each."""

    @property
    def size(self) -> int:
        """How many locations, probes or gateways it is about."""
        return max(len(self.places), 1)


@dataclass(frozen=True)
class Needs:
    """What needs a person, by how soon."""

    today: tuple[Need, ...] = ()
    week: tuple[Need, ...] = ()
    notes: tuple[AlertView, ...] = ()
    """For information."""

    @property
    def first(self) -> Need | None:
        """The most pressing one."""
        return next(iter((*self.today, *self.week)), None)

    @property
    def n_today(self) -> int:
        """How many locations need someone today."""
        return sum(need.size for need in self.today)

    @property
    def n_week(self) -> int:
        """How many more this week."""
        return sum(need.size for need in self.week)


def needs_of(state: JobState, alerts: Sequence[AlertView], views: Sequence[LocationView]) -> Needs:
    """The needs of a job: its open alerts, then what a tile says in amber or red that no alert tells of."""
    told = [alert for alert in alerts if not alert.inhibited_why and alert.closed_at is None]
    needs = _of_alerts(alert for alert in told if alert.tier is not Tier.NOTE)
    if state.pause is None and not state.ended:
        covered = {need.location for need in needs}
        needs += [need for view in views if view.id not in covered and (need := _of_state(state, view)) is not None]
    needs.sort(key=lambda need: need.style.rank)
    return Needs(
        today=tuple(_together(need for need in needs if need.tier is Tier.TODAY)),
        week=tuple(_together(need for need in needs if need.tier is Tier.WEEK)),
        notes=tuple(alert for alert in told if alert.tier is Tier.NOTE),
    )


def need_of(alert: AlertView) -> Need:
    """One alert as a need."""
    return Need(
        id=f"need-{alert.fingerprint}-{alert.episode}",
        tier=alert.tier,
        style=alert.style,
        place=alert.place,
        location=alert.location,
        what=f"{lowered(alert.kind)}, easing" if alert.easing else lowered(alert.kind),
        since=alert.easing_since or alert.opened_at,
        why=alert.said,
        do=_CLOSES_ITSELF if alert.easing else lowered(alert.look_first),
        easing=alert.easing,
        alerts=(alert,),
    )


def _of_alerts(alerts: Iterable[AlertView]) -> list[Need]:
    """One need for each location: its most pressing alert leads, the others stand inside."""
    by_place: dict[str, list[AlertView]] = defaultdict(list)
    for alert in alerts:
        by_place[alert.location or alert.fingerprint].append(alert)
    made = []
    for found in by_place.values():
        found.sort(key=lambda alert: (alert.tier is not Tier.TODAY, alert.easing, alert.style.rank))
        made.append(replace(need_of(found[0]), alerts=tuple(found)))
    return made


def _of_state(state: JobState, view: LocationView) -> Need | None:
    assessed = state.assessment.at(view.id) if state.assessment is not None else None
    silent = assessed is not None and assessed.state is State.NO_DATA and assessed.last_reading_at is not None
    if assessed is None or not (view.style.tone in ("act", "watch") or silent):
        return None
    kind = _AS_ALERT.get(assessed.state)
    if surface_leads(assessed):
        kind = FindingKind.CONDENSATION if view.style.tone == "act" else FindingKind.CONDENSATION_EXPECTED
    since = assessed.drying.since if assessed.drying is not None else None
    return Need(
        id=f"need-{view.id}",
        tier=Tier.TODAY if view.style.tone == "act" else Tier.WEEK,
        style=view.style,
        place=view.label,
        location=view.id,
        what=lowered(view.style.word),
        since=since if STATES[assessed.state] is view.style else None,
        why=view.words,
        do=lowered(steps(kind, assessed.facts).first) if kind is not None else "look at it.",
    )


def _together(needs: Iterable[Need]) -> list[Need]:
    """Needs of one kind at many locations as one line, in the place of the first of them."""
    listed = list(needs)
    by_kind: dict[tuple[str, str], list[Need]] = defaultdict(list)
    for need in listed:
        by_kind[need.what, need.do].append(need)
    made = []
    for need in listed:
        same = by_kind[need.what, need.do]
        if len(same) < _TOGETHER or need.location is None:
            made.append(need)
        elif need is same[0]:
            made.append(_merged(same))
    return made


def _merged(same: list[Need]) -> Need:
    names = [need.place for need in same]
    place = f"{', '.join(names[:_NAMED])} and {counted(len(names) - _NAMED, 'more location')}"
    return replace(
        same[0],
        id=f"{same[0].id}-and-more",
        place=place,
        location=None,
        since=min((need.since for need in same if need.since is not None), default=None),
        why="",
        alerts=tuple(alert for need in same for alert in need.alerts),
        places=tuple((need.location, need.place) for need in same if need.location is not None),
    )


def lowered(words: str) -> str:
    """Words as they stand inside a sentence."""
    return words[:1].lower() + words[1:]
