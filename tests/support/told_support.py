"""Mill Lane 4 with people who are told of its alerts: messages sent, one that did not arrive, mutes, a paused job."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import web_support
from alerts_support import HandClock, LongestPause, Tape, refuse

from monitord.alerts import pausing, requests
from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.alerts.sending.dispatcher import Dispatcher
from monitord.alerts.sending.outbox import enqueue_news
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.config.settings import Settings
from monitord.model.jobs import JobFile
from monitord.model.messages import Matcher, MatchLabel
from monitord.store import alerts as stored_alerts
from monitord.store.jobs import apply_job

NOW, JOB = web_support.NOW, "mill-lane-4"
ALERTS = AlertSettings.model_validate(
    {
        "channels": [{"name": "mail", "url": "log://"}, {"name": "sms", "url": "log://", "form": "short"}],
        "people": [
            {"id": "okafor", "name": "R. Okafor", "ways": [{"channel": "mail"}]},
            {"id": "moran", "name": "B. Moran", "ways": [{"channel": "sms", "min_severity": "act"}]},
            {
                "id": "lind",
                "name": "A. Lind",
                "ways": [{"channel": "mail"}],
                "quiet": [{"start": "00:00", "end": "23:00"}],
            },
        ],
        "routes": [{"name": "site work", "people": ["okafor", "moran", "lind"]}],
        "group_wait_s": 0,
        "give_up_after_s": 3600,
    }
)


def told_mill_lane(folder: Path, step_s: float = 3600.0) -> web_support.Site:
    """The site as it is after its alerts were told, as far as they could be."""
    site = web_support.mill_lane(folder, step_s)
    site.settings = Settings(alerts=ALERTS)
    clock = HandClock(NOW - timedelta(hours=10))
    tapes = {"mail": Tape(), "sms": Tape(instead=refuse)}
    dispatcher = Dispatcher(site.db, tapes, clock, ALERTS, LongestPause())
    for _ in range(40):
        enqueue_news(site.db, ALERTS, default_rule_book(), clock.at)
        dispatcher.run_once()
        clock.forward(minutes=15)
    dispatcher.stop(1)
    hall = [Matcher(label=MatchLabel.JOB, pattern=JOB), Matcher(label=MatchLabel.LOCATION, pattern="hall")]
    with site.db.write() as conn:
        start, end = NOW - timedelta(hours=3), NOW + timedelta(days=2)
        requests.mute(conn, hall, start, end, "R. Okafor", "the hall is being painted", start)
        apply_job(conn, JobFile(job="quay-9", name="9 Quay Street", start=NOW - timedelta(days=40)))
        pausing.pause(conn, "quay-9", None, "B. Moran", "the client is away", NOW - timedelta(days=1))
    return site


def open_alert(site: web_support.Site, kind: str) -> tuple[str, str]:
    """An open alert's fingerprint and the address of its page."""
    with site.db.read() as conn:
        found = next(a for a in stored_alerts.open_alerts(conn) if a.kind == kind)
    return found.fingerprint, f"/alerts/{found.fingerprint}/{found.episode}"
