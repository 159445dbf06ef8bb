"""The stores that readings go into: SQLite always, and servers that the environment names.

    BENCHMARK_POSTGRESQL=postgresql://monitord@localhost/benchmark     an empty database; all in it is removed
    BENCHMARK_INFLUXDB=http://localhost:8086 BENCHMARK_INFLUXDB_BUCKET=benchmark BENCHMARK_INFLUXDB_TOKEN=...
                                                       its measurement `monitord_raw` is removed (InfluxQL of 1.x)

How such servers are started without rights: `tests/support/postgres.py` and `influx.py`.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import NullPool, create_engine, text
from sqlalchemy.exc import DBAPIError

from monitord.model.config.influx_settings import StoreSettings
from monitord.model.config.settings import DatabaseSettings, Settings
from monitord.store.db.database import server_url
from monitord.store.series.influx.readings import MEASUREMENT
from monitord.store.series.influx.server import Server
from monitord.store.series.keeping import influx_readings

_FILE = "monitord.db"
_KEYS = "SELECT p.name, r.time_ms FROM reading r JOIN probe_name p ON p.id = r.probe_id"

Key = tuple[str, int]
"""A probe and the stamp of its reading [ms]: a message of the benchmark."""


class Store(NamedTuple):
    """Where readings go."""

    name: str
    settings: Callable[[Path], Settings]
    """From a folder of its own."""
    empty: Callable[[Settings], object] = lambda _settings: None
    """Takes out what an earlier run has left."""

    def environment(self, folder: Path) -> dict[str, str]:
        """The settings as a daemon reads them."""
        found = self.settings(folder)
        words = {"DATABASE__URL": found.database.url}
        if found.store.url is not None:
            words |= {
                "STORE__READINGS": found.store.readings.value,
                "STORE__URL": found.store.url,
                "STORE__BUCKET": found.store.bucket,
                "STORE__TOKEN": found.store.secret(),
            }
        return {f"MONITORD_{name}": value for name, value in words.items()}

    def stored(self, folder: Path) -> set[Key]:
        """Readings in it; none while it has not made its tables yet."""
        settings = self.settings(folder)
        if settings.store.url is not None:
            with closing(influx_readings(settings.store)) as store:
                found = store.of_stretches([(probe, -(2**62), 2**62) for probe in store.probes()])
            return {row.key for rows in found for row in rows}
        url = server_url(settings.database.url)
        if url is None and not (folder / _FILE).exists():
            return set()
        engine = create_engine(url or f"sqlite:///file:{folder / _FILE}?mode=ro&uri=true", poolclass=NullPool)
        try:
            with engine.connect() as conn:
                return {(probe, time_ms) for probe, time_ms in conn.execute(text(_KEYS))}
        except DBAPIError:
            return set()


def _sqlite(folder: Path) -> DatabaseSettings:
    return DatabaseSettings(url=f"sqlite:///{folder / _FILE}")


SQLITE = Store("SQLite", lambda folder: Settings(database=_sqlite(folder)))


def stores() -> list[Store]:
    """Those that are there."""
    found = [SQLITE]
    url = os.environ.get("BENCHMARK_POSTGRESQL")
    if url:
        found.append(Store("PostgreSQL", lambda _: Settings(database=DatabaseSettings(url=url)), _empty_postgresql))
    influx = os.environ.get("BENCHMARK_INFLUXDB")
    if influx:
        given = {
            "readings": "influxdb",
            "url": influx,
            "bucket": os.environ.get("BENCHMARK_INFLUXDB_BUCKET", "benchmark"),
            "token": os.environ.get("BENCHMARK_INFLUXDB_TOKEN"),
        }
        store = StoreSettings.model_validate(given)
        found.append(Store("InfluxDB", lambda folder: Settings(database=_sqlite(folder), store=store), _empty_influxdb))
    return found


def _empty_postgresql(settings: Settings) -> None:
    engine = create_engine(server_url(settings.database.url) or "", poolclass=NullPool)
    with engine.begin() as conn:
        conn.execute(text("DROP SCHEMA IF EXISTS public, monitord_readings CASCADE"))
        conn.execute(text("CREATE SCHEMA public"))


def _empty_influxdb(settings: Settings) -> None:
    with closing(Server(settings.store)) as server:
        server.query(f'DROP MEASUREMENT "{MEASUREMENT}"')
