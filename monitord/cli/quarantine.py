"""`monitord quarantine`: what could not be understood, and its release once the cause is mended."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace, _SubParsersAction

from monitord.cli.common import database_of, out, settings_of, show_table, show_time
from monitord.clock import SystemClock
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.quarantine import release
from monitord.store import quarantine as held_payloads

_SHOWN_BYTES = 80


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("quarantine", help="list or release what could not be understood")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    listing = verbs.add_parser("list", help="list the payloads that are held, with the reason, the latest first")
    listing.add_argument("--code", metavar="CODE", help="only those held for this reason code")
    listing.add_argument("--limit", type=int, default=50, metavar="N", help="at most so many; default: %(default)s")
    listing.set_defaults(run=_list)

    letting_go = verbs.add_parser("release", help="decode held payloads again, by the topic rules of now")
    letting_go.add_argument("ids", nargs="*", type=int, metavar="ID", help="default: all of them")
    letting_go.set_defaults(run=_release)


def _list(parsed: Namespace) -> int:
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


def _release(parsed: Namespace) -> int:
    rules = TopicRules(settings_of(parsed).topics)
    with database_of(parsed) as database:
        result = release(database, rules, SystemClock(), set(parsed.ids) if parsed.ids else None)
    out(f"released {result.released}: {result.outcome.inserted} new readings, {result.outcome.repeats} known ones")
    for held in result.still_held:
        out(f"still held: {held.id} {held.topic}: {held.reason}")
    return 0


def _readable(payload: bytes) -> str:
    """The beginning of a payload as text; what is no printable text is shown by its code."""
    text = payload[:_SHOWN_BYTES].decode("utf-8", errors="backslashreplace")
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return shown + ("..." if len(payload) > _SHOWN_BYTES else "")
