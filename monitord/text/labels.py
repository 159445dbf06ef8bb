"""Labels of pages and messages: reasons of a message, buttons, names of what is no location."""

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

MESSAGES = (*NEWS.values(), ITSELF, SEVERAL_JOBS, PAUSED, PAUSED_UNTIL)
