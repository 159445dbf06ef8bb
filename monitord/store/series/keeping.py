"""Where raw readings are kept: in the table `reading`, or in InfluxDB. All else is in the database always."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Connection, delete, insert, select

from monitord.errors import ConfigurationError
from monitord.model.config.influx_settings import ReadingsIn, StoreSettings
from monitord.store.db.database import Database
from monitord.store.db.tables import reading, readings_elsewhere

if TYPE_CHECKING:
    from monitord.model.config.settings import Settings
    from monitord.store.series.influx.readings import InfluxReadings

_ROW = 1
_OPTION = "monitord_readings"


def open_store(settings: Settings, *, migrate: bool = True) -> Database:
    """The database of the settings, with its readings wherever these are.

    Raises
    ------
    ConfigurationError : the readings are elsewhere than the settings say.
    StoreError : the database can't be opened; see `Database.open`.
    """
    db = Database.open(settings.database.url, migrate=migrate)
    try:
        with db.read() as conn:
            known, empty = known_place(conn), conn.execute(select(reading.c.probe_id).limit(1)).first() is None
        wanted = place_of(settings.store)
        if known != wanted:
            if wanted is None or known is not None or not empty:
                raise _misplaced(known, wanted)
            if migrate:  # the first start
                with db.write() as conn:
                    note_place(conn, wanted)
        if wanted is not None:
            use(db, influx_readings(settings.store))
    except BaseException:
        db.close()
        raise
    return db


def use(db: Database, readings: InfluxReadings) -> None:
    """Have every connection know where the readings are."""
    db.keep_beside(_OPTION, readings)


def elsewhere(conn: Connection) -> InfluxReadings | None:
    """Where the readings are; None: in the table `reading`."""
    found: InfluxReadings | None = conn.get_execution_options().get(_OPTION)
    return found


def influx_readings(settings: StoreSettings) -> InfluxReadings:
    """The readings in the InfluxDB of the settings."""
    from monitord.store.series.influx.readings import InfluxReadings  # its library takes a second to load
    from monitord.store.series.influx.server import Server

    return InfluxReadings(Server(settings), f"{settings.url} {settings.bucket}")


def place_of(settings: StoreSettings) -> str | None:
    """What is noted of where readings are: by the bucket, since a server may get another address."""
    return f"influxdb {settings.bucket}" if settings.readings is ReadingsIn.INFLUXDB else None


def known_place(conn: Connection) -> str | None:
    """Where the readings of this database are; None: in its table."""
    return conn.execute(select(readings_elsewhere.c.place)).scalar_one_or_none()


def note_place(conn: Connection, place: str | None) -> None:
    """Note where they are from now on."""
    conn.execute(delete(readings_elsewhere))
    if place is not None:
        conn.execute(insert(readings_elsewhere), {"id": _ROW, "place": place})


def _misplaced(known: str | None, wanted: str | None) -> ConfigurationError:
    return ConfigurationError(
        f"the readings are in {known or 'the database'}, and the settings look for them in {wanted or 'the database'}",
        where="store.readings",
        remedy="Correct [store], or move them with the daemon stopped: "
        f"`monitord store readings {'influxdb' if wanted else 'database'}`",
    )
