"""The command `monitord`: reads its words, hands them to one part of the program, and turns errors into one line.

Exit codes: 0 done; 1 it failed, and standard error says what, where and the remedy; 2 the words were wrong;
130 stopped by Ctrl-C.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

from monitord.cli.parsers.build import build_parser
from monitord.errors import MonitordError

OK, FAILED, INTERRUPTED = 0, 1, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    parsed = build_parser().parse_args(arguments)
    try:
        return int(parsed.run(parsed))
    except MonitordError as error:
        sys.stderr.write(f"monitord: {error.message}\n")
        return FAILED
    except BrokenPipeError:  # the reader of our output, such as `head`, has gone
        sys.stderr.close()
        return OK
    except KeyboardInterrupt:
        return INTERRUPTED
