"""The browser that the pages are opened in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PATIENCE_MS = 120_000
"""On a machine that is busy with other things; nothing here takes a second by itself. [ms]"""

_CHROMIUM = "/usr/bin/chromium"
_FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, with an empty profile; a missing one fails the test."""
    from playwright.sync_api import sync_playwright  # takes a while, and only these tests need it

    assert Path(_CHROMIUM).exists(), f"{_CHROMIUM} is missing; these tests need it (Debian package chromium)"
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=_CHROMIUM, args=_FLAGS, timeout=PATIENCE_MS)
        yield made
        made.close()
