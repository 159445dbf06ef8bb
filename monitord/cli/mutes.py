"""`monitord mute`: people's wishes not to be told. A probe that sends nothing is another matter: it is silent."""

from __future__ import annotations

from argparse import Namespace

from monitord.alerts import requests
from monitord.alerts.routing.mutes import end_of, state_of
from monitord.cli.common import database_of, ending_of, note, out, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import MonitordError
from monitord.model.messages import Matcher, MatchLabel, Mute
from monitord.store import mutes as stored_mutes


def add_mute(parsed: Namespace) -> int:
    """Add a mute."""
    now = SystemClock().now()
    start = parsed.start or now
    end = ending_of(parsed, start)
    named = {label: getattr(parsed, label.value) for label in MatchLabel if getattr(parsed, label.value)}
    if not named:
        raise MonitordError("the mute says nothing of what it covers", remedy="Name a job, a location or a kind")
    if end is None or end <= now:
        raise MonitordError("the mute would be over already", remedy="Give a later end")
    matchers = [Matcher(label=label, pattern=pattern) for label, pattern in named.items()]
    with database_of(parsed) as database, database.write() as connection:
        made = requests.mute(connection, matchers, start, end, parsed.by, parsed.why, now)
        until = f"until {show_time(made.end)}, as {parsed.by}: {parsed.why}"
        note(connection, "muted alerts", getattr(parsed, MatchLabel.JOB.value), f"{_what(made)} {until}")
    out(f"{made.id}: mutes {_what(made)} until {show_time(made.end)}")
    return 0


def list_mutes(parsed: Namespace) -> int:
    """Print the mutes."""
    now = SystemClock().now()
    with database_of(parsed) as database, database.read() as connection:
        found = stored_mutes.mutes(connection, None if parsed.all else now)
    rows = (
        (
            m.id,
            state_of(m, now).value,
            _what(m),
            show_time(m.start),
            show_time(m.ended_at or m.end),
            m.author,
            m.comment,
        )
        for m in found
    )
    show_table(("id", "state", "what", "from", "until", "by", "why"), rows)
    return 0


def end_mute(parsed: Namespace) -> int:
    """End a mute now."""
    now = SystemClock().now()
    with database_of(parsed) as database, database.write() as connection:
        ended = requests.end_mute(connection, parsed.id, parsed.by, now)
        over = ended.ended_at != now
        if not over:
            note(connection, "ended a mute", None, f"{parsed.id}, as {parsed.by}")
    out(f"{parsed.id}: {'was over already' if over else 'ended'}, {show_time(end_of(ended))}")
    return 0


def _what(mute: Mute) -> str:
    return ", ".join(f"{matcher.label} {matcher.pattern}" for matcher in mute.matchers)
