"""`monitord mute`: people's wishes not to be told. A probe that sends nothing is another matter: it is silent."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace, _SubParsersAction

from monitord.alerts import requests
from monitord.alerts.deciding.mutes import end_of, state_of
from monitord.cli.common import add_ending, database_of, ending_of, out, show_table, show_time, time_argument
from monitord.clock import SystemClock
from monitord.errors import MonitordError
from monitord.model.messages import Matcher, MatchLabel, Mute
from monitord.store import mutes as stored_mutes

_HELP = {
    MatchLabel.JOB: "alerts of this job",
    MatchLabel.LOCATION: "at this location",
    MatchLabel.KIND: "of this kind, such as drive_lost",
    MatchLabel.PROBE: "about this probe",
    MatchLabel.GATEWAY: "about what reports through this gateway",
    MatchLabel.SEVERITY: "note, watch or act",
    MatchLabel.FINGERPRINT: "one alert, by the fingerprint that `monitord alert list` shows",
}


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("mute", help="add, list or end people's wishes not to be told")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    add = verbs.add_parser(
        "add",
        help="spare people messages about some alerts until a time; the alerts go on",
        epilog="An alert must fit everything that is named; `*` and `?` are allowed. Whoever was told that an alert is "
        "open will be told that it is over, muted or not.",
    )
    for label, text in _HELP.items():
        add.add_argument(f"--{label}", metavar="PATTERN", help=text)
    add.add_argument("--from", dest="start", type=time_argument, metavar="TIME", help="its beginning; default: now")
    add_ending(add, required=True)
    add.add_argument("--by", required=True, metavar="NAME", help="who wishes it")
    add.add_argument("--why", required=True, metavar="TEXT", help="so that others understand it")
    add.set_defaults(run=_add)

    listing = verbs.add_parser("list", help="list the mutes that hold or are to come")
    listing.add_argument("--all", action="store_true", help="those that are over, too")
    listing.set_defaults(run=_list)

    end = verbs.add_parser("end", help="end a mute now; what is still open under it is told")
    end.add_argument("id", metavar="ID", help="as `monitord mute list` shows it")
    end.add_argument("--by", required=True, metavar="NAME", help="who ends it")
    end.set_defaults(run=_end)


def _add(parsed: Namespace) -> int:
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
    out(f"{made.id}: mutes {_what(made)} until {show_time(made.end)}")
    return 0


def _list(parsed: Namespace) -> int:
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


def _end(parsed: Namespace) -> int:
    now = SystemClock().now()
    with database_of(parsed) as database, database.write() as connection:
        ended = requests.end_mute(connection, parsed.id, parsed.by, now)
    over = ended.ended_at != now
    out(f"{parsed.id}: {'was over already' if over else 'ended'}, {show_time(end_of(ended))}")
    return 0


def _what(mute: Mute) -> str:
    return ", ".join(f"{matcher.label} {matcher.pattern}" for matcher in mute.matchers)
