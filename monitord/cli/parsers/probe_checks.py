"""`monitord probe check`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command, add_units, time_argument


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("probe", help="check probes against each other or over a saturated salt")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    check = verbs.add_parser("check", help="judge stored readings of a check; exit code 1 unless all probes pass")
    kinds = check.add_subparsers(dest="kind", required=True, metavar="KIND")

    together = kinds.add_parser("side-by-side", help="probes that lay together for an hour or more: do they agree?")
    together.add_argument("job", metavar="JOB", help="gives the probes' accuracies and calibrations")
    together.add_argument("probes", nargs="*", metavar="PROBE", help="default: all probes of the job")
    _add_rest(together)
    together.set_defaults(run=Command("probe_checks", "check_side_by_side"))

    salt = kinds.add_parser("salt", help="probes over a saturated salt (ASTM E104), by the last two hours there")
    salt.add_argument("job", metavar="JOB", help="gives the probes' accuracies and calibrations")
    salt.add_argument("salt", metavar="SALT", help="LiCl, MgCl2, NaCl, KCl or K2SO4")
    salt.add_argument("probes", nargs="+", metavar="PROBE")
    _add_rest(salt)
    salt.set_defaults(run=Command("probe_checks", "check_salt"))


def _add_rest(parser: ArgumentParser) -> None:
    when = "such as 2025-03-01T10:00:00Z"
    parser.add_argument("--from", dest="start", type=time_argument, required=True, metavar="TIME", help=when)
    parser.add_argument("--to", dest="end", type=time_argument, required=True, metavar="TIME", help=when)
    parser.add_argument("--by", default="", metavar="NAME", help="who checked")
    parser.add_argument("--record", action="store_true", help="keep what is proposed among the job's calibrations")
    add_units(parser)
