"""`monitord version`."""

from __future__ import annotations

import sys
from argparse import Namespace

import monitord


def show_version(_: Namespace) -> int:
    """Print the version."""
    sys.stdout.write(f"monitord {monitord.__version__}\n")
    return 0
