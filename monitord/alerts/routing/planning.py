"""What is to be said to whom now, of everything that is known: one pure function over all alerts and people.

The order of thought: what explains what, what is muted, who gets it, what each has been told, what goes together.
Nothing is remembered between two calls but what the store holds, so a restart between any two changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitord.alerts.routing.deduplication import Blocked, DeliveryVerdict, SentRecord, decide, summarise
from monitord.alerts.routing.grouping import Bundle, Piece, group
from monitord.alerts.routing.inhibition import Inhibited, inhibited
from monitord.alerts.routing.mutes import Muted, end_of, muted
from monitord.alerts.routing.routes import Recipient, recipients
from monitord.model.alerts import Alert, AlertEvent, AlertStatus
from monitord.model.config.alert_settings import AlertSettings, Person
from monitord.model.jobs import JobFile
from monitord.model.messages import TELLS_OPEN, Mute, NotificationReason, OutboxState, SentItem

_UTC = ZoneInfo("UTC")

LOOK_BACK = timedelta(hours=2)
"""How long closed alerts are still looked at as an explanation of open ones."""


MUTES_BACK = timedelta(hours=24)
"""How long ended mutes still count for what closed under them."""


@dataclass(frozen=True)
class Situation:
    """Everything the decisions rest on."""

    settings: AlertSettings
    jobs: Mapping[str, JobFile]
    alerts: Sequence[Alert]
    """The unsettled episodes, and those that closed within `LOOK_BACK`."""
    told: Sequence[SentItem]
    """What was told about these, and about mutes (subject `mute:ID`)."""
    last: Mapping[tuple[str, str], datetime]
    """Person and job (or `*`) to their newest message."""
    mutes: Sequence[Mute]
    """Those that have not ended, or only within `MUTES_BACK`."""
    gateways: Mapping[str, str] = field(default_factory=dict)
    """Probe to the gateway that it last reported through."""
    settled: frozenset[tuple[str, int]] = frozenset()
    """Those of the episodes about which nobody is owed a word any more."""

    def zone(self, job: str) -> ZoneInfo:
        """The job's time zone; UTC where the job is not known."""
        found = self.jobs.get(job)
        return found.zone if found is not None else _UTC


@dataclass(frozen=True)
class DeliveryDecision:
    """What was decided for one person about one episode, and why: what the page shows."""

    person: str
    fingerprint: str
    episode: int
    verdict: DeliveryVerdict
    held_until: datetime | None = None
    """The news waits for others, or keeps its distance from the last message, until then."""


@dataclass(frozen=True)
class Draft:
    """One message to one person, before it is put into words."""

    person: Person
    bundle: Bundle
    ordinals: tuple[int, ...]
    """For each piece: the how-manieth of its kind."""
    also_by: frozenset[str]
    """Channels to use besides those of the severity: the ones the opening went by."""
    mute: Mute | None = None
    """Set where the message warns that this mute ends; the pieces are what it covers."""


@dataclass
class Scenario:
    """What follows from a situation as of a time."""

    drafts: list[Draft] = field(default_factory=list)
    superseded: list[tuple[str, str]] = field(default_factory=list)
    """Messages to take back, and why."""
    settled: list[tuple[str, int]] = field(default_factory=list)
    """Closed episodes about which nobody is owed a word."""
    alerts: list[Alert] = field(default_factory=list)
    """Alerts whose inhibition changed."""
    events: list[AlertEvent] = field(default_factory=list)
    decisions: list[DeliveryDecision] = field(default_factory=list)


def plan(situation: Situation, as_of: datetime) -> Scenario:
    """Decide what to say to whom now."""
    result = Scenario()
    alerts = sorted(situation.alerts, key=lambda alert: (alert.fingerprint, alert.episode))
    told_rows = _still_standing(situation.told, alerts, result)
    explained = inhibited(alerts, as_of, situation.gateways)
    _note_inhibition(result, alerts, explained, as_of)
    hits = {(a.fingerprint, a.episode): _muted(situation, a, as_of) for a in alerts}
    told = summarise(told_rows)
    pieces = _decide_all(result, situation, alerts, told_rows, _blocks(alerts, hits, explained), as_of)
    for person in situation.settings.people:
        _bundle(result, situation, person, pieces.get(person.id, []), told, as_of)
    _warn_of_mutes(result, situation, alerts, hits, as_of)
    return result


def _muted(situation: Situation, alert: Alert, as_of: datetime) -> Muted | None:
    """What mutes the alert now; one that has closed: what muted it as it closed."""
    at = alert.closed_at if alert.status is AlertStatus.CLOSED and alert.closed_at is not None else as_of
    return muted(alert, situation.mutes, situation.settings.maintenance, situation.zone(alert.job), at)


def _still_standing(told: Sequence[SentItem], alerts: Sequence[Alert], result: Scenario) -> list[SentItem]:
    """What was told, without the messages that were never tried and speak only of what has closed since."""
    closed = {(a.fingerprint, a.episode) for a in alerts if a.status is AlertStatus.CLOSED}
    stale: dict[str, bool] = {}
    for row in told:
        over = row.item.news in TELLS_OPEN and (row.item.subject, row.item.episode) in closed
        untried = row.state is OutboxState.WAITING and row.attempts == 0
        stale[row.message] = stale.get(row.message, True) and over and untried
    result.superseded += [(message, "closed before it could be sent") for message, gone in stale.items() if gone]
    return [row for row in told if not stale[row.message]]


def _note_inhibition(
    result: Scenario, alerts: Sequence[Alert], explained: Mapping[str, Inhibited], as_of: datetime
) -> None:
    for alert in alerts:
        if alert.status is AlertStatus.CLOSED:
            continue
        now = explained.get(alert.fingerprint)
        by, why = (now.by, now.reason) if now is not None else (None, None)
        if (by, why) != (alert.inhibited_by, alert.inhibited_why):
            result.alerts.append(alert.model_copy(update={"inhibited_by": by, "inhibited_why": why}))
            name, detail = ("inhibited", f"{why} ({by})") if now is not None else ("no_longer_inhibited", "")
            result.events.append(
                AlertEvent(fingerprint=alert.fingerprint, episode=alert.episode, at=as_of, event=name, detail=detail)
            )


def _blocks(
    alerts: Sequence[Alert],
    hits: Mapping[tuple[str, int], Muted | None],
    explained: Mapping[str, Inhibited],
) -> dict[tuple[str, int], Blocked]:
    blocks: dict[tuple[str, int], Blocked] = {}
    for alert in alerts:
        key = (alert.fingerprint, alert.episode)
        hit = hits.get(key)
        if hit is not None:
            blocks[key] = Blocked(hit.reason, hit.until)
        elif alert.status is AlertStatus.CLOSED and alert.inhibited_why is not None:
            blocks[key] = Blocked(alert.inhibited_why, None)
        elif alert.status is not AlertStatus.CLOSED and alert.fingerprint in explained:
            blocks[key] = Blocked(explained[alert.fingerprint].reason, None)
    return blocks


def _decide_all(
    result: Scenario,
    situation: Situation,
    alerts: Sequence[Alert],
    told_rows: Sequence[SentItem],
    blocks: Mapping[tuple[str, int], Blocked],
    as_of: datetime,
) -> dict[str, list[Piece]]:
    told, first = summarise(told_rows), _first_told(told_rows)
    pieces: dict[str, list[Piece]] = {}
    for alert in alerts:
        key = (alert.fingerprint, alert.episode)
        if key in situation.settled:
            continue
        routed = _routed(situation, alert, first.get(key), as_of)
        final = True
        for person in situation.settings.people:
            known = told.get((person.id, *key))
            recipient = routed.get(person.id)
            if known is None and recipient is None:
                continue
            verdict = decide(alert, person, recipient, known, blocks.get(key), as_of)
            result.decisions.append(DeliveryDecision(person.id, *key, verdict))
            final = final and verdict.final
            piece = Piece.of(alert, verdict, as_of)
            if piece is not None:
                pieces.setdefault(person.id, []).append(piece)
        if final and alert.status is AlertStatus.CLOSED:
            result.settled.append(key)
    return pieces


def _first_told(told_rows: Sequence[SentItem]) -> dict[tuple[str, int], datetime]:
    """When the first message about each episode was written; escalation counts from there."""
    first: dict[tuple[str, int], datetime] = {}
    for row in told_rows:
        if row.item.news in (NotificationReason.OPENED, NotificationReason.ESCALATED):
            key = (row.item.subject, row.item.episode)
            first[key] = min(first.get(key, row.created_at), row.created_at)
    return first


def _routed(situation: Situation, alert: Alert, first: datetime | None, as_of: datetime) -> dict[str, Recipient]:
    """The people the alert goes to now; one that has closed: those it went to as it closed."""
    at = alert.closed_at if alert.status is AlertStatus.CLOSED and alert.closed_at is not None else as_of
    found = recipients(alert, situation.settings, situation.zone(alert.job), at, first)
    return {recipient.person.id: recipient for recipient in found}


def _bundle(
    result: Scenario,
    situation: Situation,
    person: Person,
    pieces: Sequence[Piece],
    told: Mapping[tuple[str, str, int], SentRecord],
    as_of: datetime,
) -> None:
    last = {job: at for (who, job), at in situation.last.items() if who == person.id}
    grouped = group(pieces, last, situation.settings, as_of)
    for bundle in grouped.bundles:
        known = [told.get((person.id, p.alert.fingerprint, p.alert.episode)) for p in bundle.pieces]
        ordinals = tuple(
            1 + (k.counts.get(p.news, 0) if k is not None else 0) for p, k in zip(bundle.pieces, known, strict=True)
        )
        closing = [
            k
            for p, k in zip(bundle.pieces, known, strict=True)
            if k is not None and p.news is NotificationReason.CLOSED
        ]
        also_by = frozenset(channel for k in closing for channel in k.channels)
        result.drafts.append(Draft(person, bundle, ordinals, also_by))
    held = {p.alert.fingerprint: grouped.waiting[p.alert.job] for p in pieces if p.alert.job in grouped.waiting}
    if held:
        result.decisions = [
            DeliveryDecision(d.person, d.fingerprint, d.episode, d.verdict, held.get(d.fingerprint))
            if d.person == person.id
            else d
            for d in result.decisions
        ]


def _warn_of_mutes(
    result: Scenario,
    situation: Situation,
    alerts: Sequence[Alert],
    hits: Mapping[tuple[str, int], Muted | None],
    as_of: datetime,
) -> None:
    """Say once, before a mute ends, which alerts will be told then: to whom they go, and to its author."""
    warning = timedelta(seconds=situation.settings.mute_warning_s)
    for mute in situation.mutes:
        end = end_of(mute)
        if not as_of < end <= as_of + warning or end - mute.start <= 2 * warning:
            continue
        open_ = [a for a in alerts if a.status is not AlertStatus.CLOSED]
        under = [a for a in open_ if (hit := hits.get((a.fingerprint, a.episode))) is not None and hit.mute == mute]
        for person in situation.settings.people if under else ():
            theirs = [a for a in under if _concerns(situation, person, mute, a, as_of)]
            warned = any(r.person == person.id and r.item.subject == f"mute:{mute.id}" for r in situation.told)
            if theirs and not warned:
                pieces = tuple(
                    Piece(a, NotificationReason.MUTE_ENDS, as_of, soon=False, reason="its mute ends") for a in theirs
                )
                bundle = Bundle(theirs[0].job, pieces)
                result.drafts.append(Draft(person, bundle, (1,) * len(pieces), frozenset(), mute))


def _concerns(situation: Situation, person: Person, mute: Mute, alert: Alert, as_of: datetime) -> bool:
    if mute.author in (person.id, person.name):
        return True
    routed = recipients(alert, situation.settings, situation.zone(alert.job), as_of, None)
    return any(recipient.person.id == person.id for recipient in routed)
