"""Fixtures for tests of the dashboard through its application, and of what runs on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import web_support as support
from postgres import Postgres

from monitord.store.db.database import Database


@pytest.fixture
def site(tmp_path: Path) -> Iterator[support.Site]:
    """Mill Lane 4 without readings, over a store that the test may change."""
    made = support.planned_site(tmp_path)
    yield made
    made.db.close()


@pytest.fixture(scope="session")
def migrated(postgres: Postgres) -> str:
    """URL of a database of the newest schema, which tests empty: a copy for each would be three hundred files more."""
    url = postgres.create("work")
    Database.open(url).close()
    return url
