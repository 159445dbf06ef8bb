"""`monitord quarantine`: what could not be understood, and its release once the cause is mended."""

from __future__ import annotations

from argparse import Namespace

from monitord.cli.common import database_of, note, out, settings_of, show_table, show_time
from monitord.clock import SystemClock
from monitord.errors import ConfigurationError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.quarantine import release
from monitord.store import quarantine as held_payloads
from monitord.store.maintenance.quarantine_limits import drop

_SHOWN_BYTES = 80


def list_held(parsed: Namespace) -> int:
    """Print what is held."""
    with database_of(parsed) as database, database.read() as connection:
        held = held_payloads.list_held(connection, parsed.code, parsed.limit)
        counts = held_payloads.count_held(connection)
    rows = (
        (str(h.id), show_time(h.last_received_at), str(h.times), h.topic, h.code, h.reason, _readable(h.payload))
        for h in held
    )
    show_table(("id", "last came", "times", "topic", "code", "reason", "payload"), rows)
    out(f"held: {', '.join(f'{times} {code}' for code, times in counts.items()) or 'nothing'}")
    return 0


def release_held(parsed: Namespace) -> int:
    """Decode held payloads again."""
    rules = TopicRules(settings_of(parsed).topics)
    with database_of(parsed) as database:
        result = release(database, rules, SystemClock(), set(parsed.ids) if parsed.ids else None)
    out(f"released {result.released}: {result.outcome.inserted} new readings, {result.outcome.repeats} known ones")
    for held in result.still_held:
        out(f"still held: {held.id} {held.topic}: {held.reason}")
    return 0


def drop_held(parsed: Namespace) -> int:
    """Remove what is held."""
    if not (parsed.ids or parsed.code or parsed.before or parsed.everything):
        raise ConfigurationError(
            "nothing says what to drop", where="quarantine drop", remedy="Give ids, --code, --before or --all"
        )
    with database_of(parsed) as database, database.write() as connection:
        dropped = drop(connection, parsed.ids or None, parsed.code, parsed.before)
        if dropped:
            note(connection, "dropped what was held in quarantine", None, f"{dropped} payloads")
    out(f"dropped {dropped}")
    return 0


def _readable(payload: bytes) -> str:
    """The beginning of a payload as text; what is no printable text is shown by its code."""
    text = payload[:_SHOWN_BYTES].decode("utf-8", errors="backslashreplace")
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return shown + ("..." if len(payload) > _SHOWN_BYTES else "")
