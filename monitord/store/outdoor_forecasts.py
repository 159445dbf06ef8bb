"""Forecasts of the outdoor air by job and time of issue; what is long past is let go."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache

from pydantic import ValidationError
from sqlalchemy import Connection, Insert, bindparam, delete, select

from monitord.model.outdoor_forecast import OutdoorForecastDocument
from monitord.store.db.statements import insert_or_ignore
from monitord.store.db.tables import outdoor_forecast
from monitord.store.db.times import to_ms

KEPT = timedelta(days=30)
"""Older ones of a job go when a new one comes."""


def keep(conn: Connection, job: str, forecast: OutdoorForecastDocument, received_at: datetime) -> None:
    """Keep a forecast; of two that were issued at the same time the first stays."""
    row = {
        "job": job,
        "issued_ms": to_ms(forecast.issued_at),
        "received_ms": to_ms(received_at),
        "document": forecast.model_dump_json(),
    }
    conn.execute(_insert(conn.dialect.name), row)
    conn.execute(_FORGET, {"the_job": job, "before": to_ms(received_at - KEPT)})


def load(conn: Connection, job: str, as_of: datetime, max_age: timedelta) -> OutdoorForecastDocument | None:
    """The newest forecast that was issued and had arrived by a time, unless it was older than `max_age` then."""
    bounds = {"the_job": job, "as_of": to_ms(as_of), "since": to_ms(as_of - max_age)}
    document = conn.execute(_NEWEST, bounds).scalar_one_or_none()
    if document is None:
        return None
    try:
        return OutdoorForecastDocument.model_validate_json(document)
    except ValidationError:  # written by another version: as good as none
        return None


# --- statements ---------------------------------------------------------------------------------------------

_NEWEST = (
    select(outdoor_forecast.c.document)
    .where(
        outdoor_forecast.c.job == bindparam("the_job"),
        outdoor_forecast.c.issued_ms <= bindparam("as_of"),
        outdoor_forecast.c.issued_ms >= bindparam("since"),
        outdoor_forecast.c.received_ms <= bindparam("as_of"),
    )
    .order_by(outdoor_forecast.c.issued_ms.desc())
    .limit(1)
)

_FORGET = delete(outdoor_forecast).where(
    outdoor_forecast.c.job == bindparam("the_job"), outdoor_forecast.c.issued_ms < bindparam("before")
)


@lru_cache(maxsize=4)
def _insert(dialect: str) -> Insert:
    return insert_or_ignore(dialect, outdoor_forecast)
