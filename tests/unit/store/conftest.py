"""Every test of the store that opens a database in memory runs on SQLite and on a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from postgres import Postgres

from monitord.store.db.database import Database


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """The server, started once."""
    with Postgres() as server:
        yield server


@pytest.fixture(scope="session")
def migrated(postgres: Postgres) -> str:
    """URL of a database of the newest schema."""
    url = postgres.create("store")
    Database.open(url).close()
    return url


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """On both databases; but for those tests that keep one database of their own through many invented examples."""
    both = ["sqlite", "postgresql"]
    kinds = ["sqlite"] if hasattr(metafunc.module, "DATABASE") else both
    metafunc.parametrize("kind_of_database", kinds, indirect=True)


@pytest.fixture(autouse=True)
def kind_of_database(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which database `Database.open("sqlite://")` opens: that in memory, or an empty one of the server."""
    if request.param == "sqlite":
        return
    server, url = request.getfixturevalue("postgres"), request.getfixturevalue("migrated")
    server.empty("store")
    opened = Database.open
    monkeypatch.setattr(Database, "open", lambda asked, **how: opened(url if asked == "sqlite://" else asked, **how))
