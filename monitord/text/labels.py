"""What all alerts and messages share: how an alert stands, eases, closes or ends, and why a message is sent."""

from __future__ import annotations

from monitord.model.messages import NotificationReason

NEWS = {
    NotificationReason.OPENED: "New",
    NotificationReason.ESCALATED: "Not acknowledged",
    NotificationReason.RAISED: "Worse",
    NotificationReason.REMINDER: "Still open",
    NotificationReason.CLOSED: "Closed",
    NotificationReason.MISSED: "Opened and closed in quiet hours",
    NotificationReason.MUTE_ENDS: "Mute ends soon",
    NotificationReason.DIGEST: "Digest",
    NotificationReason.TEST: "Test message",
}
"""What kind of news a part of a message is."""

ITSELF = "monitord itself"
SEVERAL_JOBS = "Several jobs"
PAUSED = "Alerts paused by {who} since {since}; recording goes on. Reason: {reason}"
PAUSED_UNTIL = "Alerts paused by {who} from {since} to {until}; recording goes on. Reason: {reason}"

NOW = ("Now {now}; worst {worst}, {worst_at}.", "Now {now}.")
EASING = (
    "Easing: now {now}, worst {worst}, {worst_at}. Closes after {hold}.",
    "Easing: now {now}, worst {worst}, {worst_at}.",
    "Easing: now {now}. Closes after {hold}.",
    "Easing: now {now}.",
)
CLOSES = ("Closes after {hold} of this.", "Closes if it stays so.")
LOST = ("No data since {unknown_since}; last {now}.",)
CLOSED = ("Closed {closed_at}: {because}.", "Closed: {because}.")

ENDED = {
    "job_ended": "job ended",
    "paused": "alerts paused by {who}",
    "location_removed": "location removed",
    "goal_removed": "goal removed",
    "probe_removed": "probe removed",
    "check_unknown": "no calibration check on record",
    "rule_off": "rule switched off",
    "did_not_last": "did not last",
}
"""Why an alert ended that no value closed."""

MESSAGES = (
    *NEWS.values(), ITSELF, SEVERAL_JOBS, PAUSED, PAUSED_UNTIL, *NOW, *EASING, *CLOSES, *LOST, *CLOSED,
    "Closed", "Easing", *ENDED.values(),
)  # fmt: skip
