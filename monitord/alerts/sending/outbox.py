"""From the stored alerts to messages in the outbox: load, decide, put into words, one commit.

The situation is read inside the transaction that enqueues, so no two rounds can decide on the same state, and a crash
before the commit leaves everything to be decided again. A message's id is a hash of what it tells, so that the same
news can't go in twice.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection

from monitord.alerts.lifecycle.rules import AlertRules
from monitord.alerts.messages.messages import Composer
from monitord.alerts.routing.planning import LOOK_BACK, MUTES_BACK, Scenario, Situation, plan
from monitord.alerts.system.gateways import gateways_of
from monitord.alerts.system.system_alerts import seen_probes
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.messages import Message
from monitord.store import alerts as stored_alerts
from monitord.store import jobs as stored_jobs
from monitord.store import mutes as stored_mutes
from monitord.store import outbox as stored_outbox
from monitord.store.db.database import Database

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Enqueued:
    """What one round put into the outbox."""

    messages: int
    superseded: int


def situation_of(conn: Connection, settings: AlertSettings, as_of: datetime) -> Situation:
    """Everything that the decisions rest on, as it is stored."""
    closed_since = as_of - LOOK_BACK
    alerts, settled = stored_alerts.alerts_to_consider(conn, closed_since)
    mutes = stored_mutes.mutes(conn, ending_after=as_of - MUTES_BACK)
    told = stored_outbox.sent_items(conn, closed_since)
    told += stored_outbox.told_about(conn, [f"mute:{mute.id}" for mute in mutes])
    return Situation(
        settings=settings,
        jobs={job.job: job for job in stored_jobs.list_jobs(conn)},
        alerts=alerts,
        told=told,
        last=stored_outbox.last_messages(conn, as_of - timedelta(seconds=settings.group_interval_s)),
        mutes=mutes,
        gateways=gateways_of(seen_probes(conn)),
        settled=settled,
    )


def decisions(db: Database, settings: AlertSettings, as_of: datetime) -> Scenario:
    """What would be told to whom now and why, without telling anything: for pages."""
    with db.read() as conn:
        return plan(situation_of(conn, settings, as_of), as_of)


def enqueue_news(db: Database, settings: AlertSettings, rules: AlertRules, as_of: datetime) -> Enqueued:
    """Decide what is to be told now and put it into the outbox, in one commit."""
    with db.read() as conn:
        if not _anything(plan(situation_of(conn, settings, as_of), as_of)):
            return Enqueued(0, 0)
    with db.write() as conn:
        situation = situation_of(conn, settings, as_of)
        decided = plan(situation, as_of)
        composer = Composer(settings, rules, situation.jobs, stored_alerts.link_secret(conn))
        messages = [message for draft in decided.drafts for message in composer.compose(draft, as_of)]
        return _commit(conn, decided, messages, as_of)


def _anything(decided: Scenario) -> bool:
    return bool(decided.drafts or decided.superseded or decided.settled or decided.alerts)


def _commit(conn: Connection, decided: Scenario, messages: Sequence[Message], as_of: datetime) -> Enqueued:
    superseded = sum(stored_outbox.supersede(conn, id_, as_of, why) for id_, why in decided.superseded)
    enqueued = sum(stored_outbox.enqueue(conn, message) for message in messages)
    stored_alerts.save_alerts(conn, decided.alerts)
    stored_alerts.add_events(conn, decided.events)
    stored_alerts.settle(conn, decided.settled)
    for message in messages:
        _log.info("to %s by %s: %s", message.person, message.channel, message.title)
    return Enqueued(enqueued, superseded)
