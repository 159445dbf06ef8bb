"""`monitord evidence`: its words."""

from __future__ import annotations

from argparse import ArgumentParser, _SubParsersAction
from pathlib import Path

from monitord.cli.parsers.arguments import Command, time_argument


def add_parsers(commands: _SubParsersAction[ArgumentParser]) -> None:
    """The words of these commands."""
    parser = commands.add_parser("evidence", help="make or verify an evidence pack, or make a key to sign them with")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    make = verbs.add_parser("make", help="write everything that is known of a job into one file that can be verified")
    make.add_argument("job", metavar="JOB")
    make.add_argument("--out", type=Path, required=True, metavar="FILE", help="such as quay-lane-14.zip")
    make.add_argument("--as-of", type=time_argument, metavar="TIME", help="readings received by then; default: now")
    make.add_argument("--key", type=Path, metavar="FILE", help="the firm's private key (PEM, Ed25519)")
    make.add_argument("--signoff", type=int, metavar="ID", help="as known at this sign-off, the job as it was then")
    make.set_defaults(run=Command("documents.evidence", "make"))

    verify = verbs.add_parser("verify", help="check every byte of a pack and compute its verdicts again")
    verify.add_argument("pack", type=Path, metavar="PACK")
    verify.add_argument("--public-key", metavar="KEY", help="the firm's public key in base64: it must be signed by it")
    verify.add_argument("--timestamp", type=Path, metavar="FILE", help="a response (RFC 3161) over the pack's file")
    verify.set_defaults(run=Command("documents.evidence", "verify_pack"))

    key = verbs.add_parser("key", help="make a private key for signing; prints its public half")
    key.add_argument("--out", type=Path, required=True, metavar="FILE")
    key.set_defaults(run=Command("documents.evidence", "make_key"))
