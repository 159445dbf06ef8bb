"""`monitord backup`, `restore`, `store`, `broker`, `mirror` and `import`: their words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    backup = commands.add_parser("backup", help="copy the database, also while the daemon runs, and check the copy")
    backup.add_argument("--to", type=Path, metavar="FOLDER", help="default: `backup.folder` of the settings")
    backup.set_defaults(run=Command("maintenance", "backup"))

    restore = commands.add_parser("restore", help="put a backup in the place of the database; stop the daemon first")
    restore.add_argument("file", type=Path, metavar="FILE", help="a backup")
    restore.add_argument("--replace", action="store_true", help="move a database that is there aside first")
    restore.set_defaults(run=Command("maintenance", "restore"))

    store = commands.add_parser("store", help="the database as a whole")
    verbs = store.add_subparsers(dest="verb", required=True, metavar="VERB")
    move = verbs.add_parser("move", help="everything into another, empty database, with proof; stop the daemon first")
    move.add_argument("source", metavar="FROM", help="URL of the database, as `database.url` has it")
    move.add_argument("target", metavar="TO", help="URL of the empty one, of the same kind or the other")
    move.set_defaults(run=Command("maintenance", "move"))

    readings = verbs.add_parser(
        "readings", help="raw readings into InfluxDB, or back, with proof; stop the daemon first"
    )
    readings.add_argument("place", choices=("influxdb", "database"), help="where they are to be; [store] says which")
    readings.set_defaults(run=Command("maintenance", "move_readings"))

    broker = commands.add_parser("broker", help="what is to be done once on the MQTT broker")
    verbs = broker.add_subparsers(dest="verb", required=True, metavar="VERB")
    session = verbs.add_parser("session", help="subscribe, so that the broker keeps readings before the first start")
    session.set_defaults(run=Command("maintenance", "make_session"))
    leave = verbs.add_parser("leave", help="store what waits for a process that is not to run again; end its session")
    leave.set_defaults(run=Command("maintenance", "leave_session"))
    for verb in (session, leave):
        verb.add_argument("--name", metavar="NAME", help="of one of several processes with the role ingest, such as 1")

    mirror = commands.add_parser("mirror", help="the copy of readings and results in InfluxDB")
    verbs = mirror.add_subparsers(dest="verb", required=True, metavar="VERB")
    show = verbs.add_parser("show", help="how it stands, and what it is due")
    show.set_defaults(run=Command("data_exchange", "show_mirror"))
    parked = verbs.add_parser("parked", help="lines that the server refuses for what they say")
    parked.set_defaults(run=Command("data_exchange", "list_parked"))
    again = verbs.add_parser("again", help="send every stored reading once more; parked lines get another try")
    again.set_defaults(run=Command("data_exchange", "mirror_again"))

    take = commands.add_parser("import", help="readings from a logger's CSV file; the same file again changes nothing")
    take.add_argument("file", type=Path, metavar="CSV", help="the file")
    how = take.add_mutually_exclusive_group(required=True)
    how.add_argument("--mapping", type=Path, metavar="FILE", help="what its columns mean (TOML)")
    how.add_argument("--propose", action="store_true", help="print the draft of such a mapping, made from the file")
    take.add_argument("--encoding", default="utf-8-sig", metavar="NAME", help="for --propose; default: %(default)s")
    take.add_argument("--check", action="store_true", help="read it all and say what is wrong; store nothing")
    take.set_defaults(run=Command("data_exchange", "import_file"))
