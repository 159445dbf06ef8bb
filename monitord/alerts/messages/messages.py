"""From a draft to the messages of the outbox: what, where, since when, how sure, and what to do first."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import quote
from zoneinfo import ZoneInfo

from monitord.alerts.lifecycle.rules import AlertRules, severity_rank
from monitord.alerts.messages import signed_links
from monitord.alerts.messages.alert_speaker import alert_speaker
from monitord.alerts.messages.templating import Templates, templates_of
from monitord.alerts.routing.grouping import Piece
from monitord.alerts.routing.planning import Draft
from monitord.alerts.routing.routes import ways
from monitord.model.alerts import SYSTEM, Alert, AlertStatus, Severity
from monitord.model.config.alert_settings import AlertSettings, Person, Way
from monitord.model.jobs import JobFile
from monitord.model.messages import SEVERAL, Message, MessageItem, NotificationReason
from monitord.text import gsm
from monitord.text.alerts import SMS_LENGTH
from monitord.text.catalogue import reader_language
from monitord.text.labels import ITSELF, NEWS, SEVERAL_JOBS
from monitord.text.terms import SEVERITIES


@dataclass(frozen=True)
class ItemView:
    """One alert as the templates see it: every field a finished text, empty where there is nothing to say."""

    news: str
    """What kind of news, as a key (`opened`, `closed`, ...)."""
    news_word: str
    kind: str
    headline: str
    job: str
    location: str
    severity: str
    severity_word: str
    opened: str
    closed: str
    opening: str
    """What was found when it opened."""
    standing: str
    """How it stands now: easing, worse, lost, or closed and why."""
    why: str
    first: str
    then: str
    sms: str
    reference: str
    acknowledge_url: str
    mute_url: str


@dataclass(frozen=True)
class MessageView:
    """A whole message as the templates see it."""

    person: str
    language: str
    job: str
    items: tuple[ItemView, ...]
    page_url: str
    acknowledge_all_url: str
    written: str
    reference: str
    mute_comment: str = ""
    mute_author: str = ""
    mute_end: str = ""


@dataclass(frozen=True)
class Composer:
    """Puts drafts into words; everything it needs is given, it reads no clock and no store."""

    settings: AlertSettings
    rules: AlertRules
    jobs: Mapping[str, JobFile]
    secret: bytes

    def compose(self, draft: Draft, as_of: datetime) -> list[Message]:
        """One message for each way that the draft goes."""
        items = message_items(draft)
        severity = max((item.severity for item in items), key=severity_rank)
        found = []
        for way in self._ways(draft, severity):
            id_ = message_id(draft.person.id, way.channel, draft.bundle.group, items)
            found.append(self._message(draft, way, id_, items, severity, as_of))
        return found

    def _ways(self, draft: Draft, severity: Severity) -> list[Way]:
        chosen = ways(draft.person, severity)
        return chosen + [w for w in draft.person.ways if w.channel in draft.also_by and w not in chosen]

    def _message(
        self, draft: Draft, way: Way, id_: str, items: tuple[MessageItem, ...], severity: Severity, as_of: datetime
    ) -> Message:
        words = templates_of(reader_language(draft.person.language, draft.person.units), self.settings.templates_dir)
        view = self._view(draft, words, id_, as_of)
        return Message(
            id=id_,
            person=draft.person.id,
            channel=way.channel,
            address=way.address,
            group=draft.bundle.group,
            severity=severity,
            created_at=as_of,
            deadline=as_of + timedelta(seconds=self.settings.give_up_after_s),
            title=" ".join(words.render("title.txt.j2", m=view).split()),
            short=gsm.fit(words.render("short.txt.j2", m=view), f" #{id_[:6]}", limit=SMS_LENGTH),
            text=words.render("message.txt.j2", m=view),
            html=words.render("message.html.j2", m=view),
            items=items,
        )

    def _view(self, draft: Draft, words: Templates, id_: str, as_of: datetime) -> MessageView:
        pieces, group, mute = draft.bundle.pieces, draft.bundle.group, draft.mute
        speaker = words.speaker(self._zone(pieces[0].alert.job, draft.person), as_of, draft.person.units)
        taken = [p for p in pieces if p.alert.status is AlertStatus.OPEN and p.news is not NotificationReason.MUTE_ENDS]
        return MessageView(
            person=draft.person.name or draft.person.id,
            language=draft.person.language,
            job=self._job_label(group, words),
            items=tuple(self._item(piece, draft.person, words, as_of) for piece in pieces),
            page_url=self._page(group),
            acknowledge_all_url=self._link(signed_links.Purpose.ACKNOWLEDGE_ALL, draft.person, id_, 0, as_of)
            if len(taken) > 1
            else "",
            written=speaker.moment(as_of) or "",
            reference=id_[:12],
            mute_comment=mute.comment if mute is not None else "",
            mute_author=mute.author if mute is not None else "",
            mute_end=(speaker.moment(mute.end) or "") if mute is not None else "",
        )

    def _item(self, piece: Piece, person: Person, words: Templates, as_of: datetime) -> ItemView:
        alert, job = piece.alert, self.jobs.get(piece.alert.job)
        speaker = words.speaker(self._zone(alert.job, person), as_of, person.units)
        said = alert_speaker(speaker, alert, job, self.rules)
        is_open = alert.status is not AlertStatus.CLOSED
        changed = not is_open or alert.easing or alert.unknown_since is not None or alert.finding != alert.opening
        return ItemView(
            news=piece.news.value,
            news_word=words.text(NEWS[piece.news]),
            kind=said.name(),
            headline=said.headline(),
            job=self._job_label(alert.job, words),
            location=said.place,
            severity=alert.severity.value,
            severity_word=words.text(SEVERITIES[alert.severity]),
            opened=said.speaker.moment(alert.opened_at) or "",
            closed=said.speaker.moment(alert.closed_at) or "",
            opening=said.opening(),
            standing=said.standing() if changed else "",
            why=said.why(),
            first=said.first(),
            then=said.then(),
            sms=said.sms(self._job_label(alert.job, words)),
            reference=f"{alert.fingerprint[:8]}-{alert.episode}",
            acknowledge_url=self._alert_link(signed_links.Purpose.ACKNOWLEDGE, person, alert, as_of)
            if alert.status is AlertStatus.OPEN
            else "",
            mute_url=self._alert_link(signed_links.Purpose.MUTE, person, alert, as_of) if is_open else "",
        )

    def _job_label(self, job: str, words: Templates) -> str:
        if job in (SYSTEM, SEVERAL):
            return words.text(ITSELF if job == SYSTEM else SEVERAL_JOBS)
        found = self.jobs.get(job)
        return found.label if found is not None else job

    def _zone(self, job: str, person: Person) -> ZoneInfo:
        found = self.jobs.get(job)
        return found.zone if found is not None else ZoneInfo(person.timezone)

    def _page(self, job: str) -> str:
        base = (self.settings.public_url or "").rstrip("/")
        if not base or job in (SYSTEM, SEVERAL):
            return f"{base}/" if base else ""
        return f"{base}/jobs/{quote(job)}"

    def _alert_link(self, purpose: signed_links.Purpose, person: Person, alert: Alert, as_of: datetime) -> str:
        return self._link(purpose, person, alert.fingerprint, alert.episode, as_of)

    def _link(self, purpose: signed_links.Purpose, person: Person, subject: str, episode: int, as_of: datetime) -> str:
        if not self.settings.public_url:
            return ""
        link = signed_links.Link(
            purpose=purpose,
            person=person.id,
            subject=subject,
            episode=episode,
            mute_h=self.settings.link_mute_h if purpose is signed_links.Purpose.MUTE else 0.0,
            expires=int((as_of + timedelta(hours=self.settings.link_valid_h)).timestamp()),
        )
        return f"{self.settings.public_url.rstrip('/')}/link/{purpose.value}/{signed_links.sign(link, self.secret)}"


def message_items(draft: Draft) -> tuple[MessageItem, ...]:
    """What the message tells, as the store keeps it."""
    return tuple(
        MessageItem(
            subject=piece.alert.fingerprint if draft.mute is None else f"mute:{draft.mute.id}",
            episode=piece.alert.episode,
            news=piece.news,
            job=piece.alert.job,
            severity=piece.alert.severity,
            ordinal=ordinal,
        )
        for piece, ordinal in zip(draft.bundle.pieces, draft.ordinals, strict=True)
    )


def message_id(person: str, channel: str, group: str, items: Sequence[MessageItem]) -> str:
    """The same news to the same person by the same channel have the same id, whenever they are put into words."""
    parts = sorted(f"{i.subject}|{i.episode}|{i.news}|{i.severity}|{i.ordinal}" for i in items)
    key = "\x1f".join((person, channel, group, *parts))
    return hashlib.sha256(key.encode()).hexdigest()[:32]
