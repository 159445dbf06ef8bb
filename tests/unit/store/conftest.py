"""Every test of the store that opens a database in memory runs on SQLite and on a real PostgreSQL.

Those of readings also run with their readings in a real InfluxDB, beside SQLite.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count

import pytest
from influx import Influx, readings_in
from postgres import Postgres

from monitord.store.db.database import Database
from monitord.store.series import keeping
from monitord.store.series.influx import readings as influx_readings

_NUMBERS = count()


@pytest.fixture(scope="session")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    """The server with a bucket `store`, started once."""
    with Influx(tmp_path_factory.mktemp("influx")) as server:
        server.create("store")
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
    others = getattr(metafunc.module, "NOT_IN_INFLUXDB", None)
    if others is not None and metafunc.function.__name__ not in others:
        kinds = [*both, "influxdb"]
    metafunc.parametrize("kind_of_database", kinds, indirect=True)


@pytest.fixture(autouse=True)
def kind_of_database(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which database `Database.open("sqlite://")` opens: that in memory, or an empty one of the server."""
    if request.param == "sqlite":
        return
    opened = Database.open
    if request.param == "influxdb":
        readings = readings_in(request.getfixturevalue("influx"), "store")
        monkeypatch.setattr(influx_readings, "MEASUREMENT", f"test_{next(_NUMBERS)}")  # a bucket would take 0.3 s

        def opened_beside(url: str) -> Database:
            db = opened(url)
            keeping.use(db, readings)
            return db

        monkeypatch.setattr(Database, "open", opened_beside)
        return
    server, url = request.getfixturevalue("postgres"), request.getfixturevalue("migrated")
    server.empty("store")
    monkeypatch.setattr(Database, "open", lambda asked, **how: opened(url if asked == "sqlite://" else asked, **how))
