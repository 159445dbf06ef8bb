"""`monitord job spot` and `monitord job spots`: their words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction

from monitord.cli.parsers.arguments import Command, add_units, time_argument


def add_parsers(verbs: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands, under `monitord job`."""
    spot = verbs.add_parser("spot", help="keep a spot reading: what was measured by hand")
    spot.add_argument("job", metavar="JOB")
    spot.add_argument("location", metavar="LOCATION")
    kind = spot.add_mutually_exclusive_group(required=True)
    kind.add_argument("--wood", type=float, metavar="PERCENT", help="moisture content that the meter showed")
    kind.add_argument("--surface", type=float, metavar="CELSIUS", help="temperature of the cold surface")
    kind.add_argument("--rh", type=float, metavar="PERCENT", help="relative humidity of the air there")
    kind.add_argument("--wme", type=float, metavar="N", help="a meter's wood scale on another material")
    kind.add_argument("--plaster", type=float, metavar="N", help="a meter's plaster and gypsum scale")
    kind.add_argument("--concrete", type=float, metavar="N", help="an impedance meter's concrete scale")
    spot.add_argument("--depth", type=float, metavar="MM", help="how deep below the surface")
    spot.add_argument("--at", type=time_argument, metavar="TIME", help="such as 2025-03-01T10:00:00Z; default: now")
    spot.add_argument("--correction", type=float, default=0.0, metavar="N", help="to be added to what was shown")
    spot.add_argument(
        "--corrected-for", default="", metavar="WHAT", help='species and wood temperature: "spruce, 8 °C"'
    )
    spot.add_argument("--u", type=float, metavar="N", help="standard uncertainty; default: what is usual")
    spot.add_argument("--instrument", default="", metavar="WHAT", help="what it was measured with")
    spot.add_argument("--by", default="", metavar="NAME", help="who measured it")
    spot.add_argument("--note", default="", metavar="TEXT", help="where exactly")
    add_units(spot)
    spot.set_defaults(run=Command("spots", "add_spot"))

    listing = verbs.add_parser("spots", help="list a job's spot readings, or take one out")
    listing.add_argument("job", metavar="JOB")
    listing.add_argument("--remove", type=int, metavar="N", help="take out the reading with this number")
    add_units(listing)
    listing.set_defaults(run=Command("spots", "list_spots"))
