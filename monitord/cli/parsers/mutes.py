"""`monitord mute`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command, add_ending, time_argument

LABELS = {
    "job": "alerts of this job",
    "location": "at this location",
    "kind": "of this kind, such as drive_lost",
    "probe": "about this probe",
    "gateway": "about what reports through this gateway",
    "severity": "note, watch or act",
    "fingerprint": "one alert, by the fingerprint that `monitord alert list` shows",
}
"""What a mute may name, as `model.messages.MatchLabel` (a test holds the two together), with help."""


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("mute", help="add, list or end mutes: no messages of an alert for a time")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    add = verbs.add_parser(
        "add",
        help="spare people messages about some alerts until a time; the alerts go on",
        epilog="An alert must fit everything that is named; `*` and `?` are allowed. Whoever was sent the opening "
        "of an alert is sent its closing, muted or not.",
    )
    for label, text in LABELS.items():
        add.add_argument(f"--{label}", metavar="PATTERN", help=text)
    add.add_argument("--from", dest="start", type=time_argument, metavar="TIME", help="its beginning; default: now")
    add_ending(add, required=True)
    add.add_argument("--by", required=True, metavar="NAME", help="who wishes it")
    add.add_argument("--why", required=True, metavar="TEXT", help="so that others understand it")
    add.set_defaults(run=Command("mutes", "add_mute"))

    listing = verbs.add_parser("list", help="list the mutes that hold or are to come")
    listing.add_argument("--all", action="store_true", help="those that are over, too")
    listing.set_defaults(run=Command("mutes", "list_mutes"))

    end = verbs.add_parser("end", help="end a mute now; open alerts under it are sent")
    end.add_argument("id", metavar="ID", help="as `monitord mute list` shows it")
    end.add_argument("--by", required=True, metavar="NAME", help="who ends it")
    end.set_defaults(run=Command("mutes", "end_mute"))
