"""What people do to alerts, each as one change of the store: take on, mute, end."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar

from pydantic import ValidationError
from sqlalchemy import Connection

from monitord.alerts.lifecycle.transitions import Decision, StepResult, acknowledge, end_alerts
from monitord.alerts.messages.signed_links import Link, Purpose, read
from monitord.alerts.routing.mutes import end_of
from monitord.errors import MonitordError
from monitord.model.alerts import Alert, Ending
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.messages import Matcher, MatchLabel, Mute, Pause
from monitord.store import alerts as stored_alerts
from monitord.store import mutes as stored_mutes
from monitord.store import outbox as stored_outbox


@dataclass(frozen=True)
class LinkView:
    """What a link would do, for the page that asks for the confirming click."""

    link: Link
    alerts: tuple[Alert, ...]
    """The alerts it is about, as they stand now."""
    mute_until: datetime | None = None


def acknowledge_alert(
    conn: Connection, fingerprint: str, episode: int | None, by: str, note: str, at: datetime
) -> Decision:
    """Take on one episode (none given: the latest); the decision says if that changed anything, and why not."""
    alert = stored_alerts.get_alert(conn, fingerprint, episode)
    if alert is None:
        raise MonitordError("there is no such alert", remedy="Look at the list of open alerts")
    result = acknowledge(alert, by, note, at)
    keep(conn, result)
    return result.decisions[fingerprint]


def mute(
    conn: Connection,
    matchers: Sequence[Matcher],
    start: datetime,
    end: datetime,
    author: str,
    comment: str,
    at: datetime,
) -> Mute:
    """Keep a person's wish not to be told.

    Raises
    ------
    MonitordError : it has no end after its start, no author, no comment, or would cover every alert there is.
    """
    made = wish(
        Mute,
        id=secrets.token_hex(8),
        matchers=tuple(matchers),
        start=start,
        end=end,
        author=author,
        comment=comment,
        created_at=at,
    )
    stored_mutes.add_mute(conn, made)
    return made


_Request = TypeVar("_Request", Mute, Pause)


def wish(model: type[_Request], **values: Any) -> _Request:
    """A wish made of what someone typed.

    Raises
    ------
    MonitordError : it is not whole; says what is wrong with it.
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        first = error.errors()[0]
        what = first["msg"].removeprefix("Value error, ")
        where = ".".join(str(part) for part in first["loc"]) or model.__name__.lower()
        raise MonitordError(what, where=where, remedy="Correct it and try again") from error


def end_mute(conn: Connection, mute_id: str, by: str, at: datetime) -> Mute:
    """End a mute now; the decision whether to tell what it covers is made again at the next round."""
    ended = stored_mutes.end_mute(conn, mute_id, at, by)
    if ended is None:
        raise MonitordError("there is no such mute", remedy="Look at the list of mutes")
    return ended


def end_alerts_of_job(
    conn: Connection,
    job: str,
    at: datetime,
    why: str,
    ending: Ending = Ending.JOB_ENDED,
    by: str | None = None,
    *,
    for_a_while: bool = False,
) -> StepResult:
    """End all alerts of a job, with a word why: it was closed, or (`for_a_while`) paused by someone."""
    result = end_alerts(stored_alerts.current_alerts(conn, job), at, why, ending, by, for_a_while=for_a_while)
    keep(conn, result)
    return result


def keep(conn: Connection, result: StepResult) -> None:
    """Write what a step changed."""
    stored_alerts.save_alerts(conn, result.alerts)
    stored_alerts.add_events(conn, result.events)


# --- links ----------------------------------------------------------------------------------------------------


def look_at_link(conn: Connection, token: str, purpose: Purpose, at: datetime) -> LinkView:
    """What a link would do. Changes nothing: mail scanners open links too.

    Raises
    ------
    LinkError : the link is not ours, was altered, is over, or is for something else.
    """
    link = read(token, purpose, stored_alerts.link_secret(conn), at)
    if purpose is Purpose.ACKNOWLEDGE_ALL:
        entry = stored_outbox.get_entry(conn, link.subject)
        items = entry.message.items if entry is not None else ()
        found = [stored_alerts.get_alert(conn, item.subject, item.episode) for item in items]
    else:
        found = [stored_alerts.get_alert(conn, link.subject, link.episode)]
    until = at + timedelta(hours=link.mute_h) if purpose is Purpose.MUTE else None
    return LinkView(link, tuple(alert for alert in found if alert is not None), until)


def follow_link(
    conn: Connection, token: str, purpose: Purpose, note: str, at: datetime, settings: AlertSettings
) -> LinkView:
    """Do what a link says, after the confirming click, in the name of the person it was sent to.

    Doing it twice changes nothing more. Returns the view as it is afterwards.

    Raises
    ------
    LinkError : as `look_at_link`.
    """
    view = look_at_link(conn, token, purpose, at)
    person = settings.person(view.link.person)
    name = person.name or person.id if person is not None else view.link.person
    if view.mute_until is not None:
        for alert in view.alerts:
            _mute_once(conn, alert, view.mute_until, name, note, at)
    else:
        for alert in view.alerts:
            keep(conn, acknowledge(alert, name, note, at))
    return look_at_link(conn, token, purpose, at)


def _mute_once(conn: Connection, alert: Alert, until: datetime, name: str, note: str, at: datetime) -> None:
    wanted = (Matcher(label=MatchLabel.FINGERPRINT, pattern=alert.fingerprint),)
    standing = [m for m in stored_mutes.mutes(conn, ending_after=at) if m.matchers == wanted and end_of(m) > at]
    if not standing:
        mute(conn, wanted, at, until, name, note or "from a message", at)
