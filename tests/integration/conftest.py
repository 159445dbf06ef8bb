"""Fixtures for tests of the dashboard through its application."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import web_support as support


@pytest.fixture
def site(tmp_path: Path) -> Iterator[support.Site]:
    """Mill Lane 4 without readings, over a store that the test may change."""
    made = support.planned_site(tmp_path)
    yield made
    made.db.close()
