"""The record of changes: who changed what. Rows are added and never changed; the database itself refuses that."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, insert, select

from monitord.model.access import AuditEntry
from monitord.store.db.access_tables import audit as _table
from monitord.store.db.times import from_ms, to_ms


def record(
    conn: Connection, at: datetime, who: str, what: str, *, job: str | None = None, detail: str = "", address: str = ""
) -> None:
    """Keep who did what; belongs into the same transaction as the change itself."""
    row = {"at_ms": to_ms(at), "who": who, "what": what, "job": job, "detail": detail, "address": address}
    conn.execute(insert(_table), row)


def entries(conn: Connection, *, job: str | None = None, limit: int = 200) -> list[AuditEntry]:
    """The latest entries, the newest first; of one job, or all."""
    chosen = select(_table).order_by(_table.c.id.desc()).limit(limit)
    if job is not None:
        chosen = chosen.where(_table.c.job == job)
    return [
        AuditEntry(from_ms(row.at_ms), row.who, row.what, row.job, row.detail, row.address)
        for row in conn.execute(chosen)
    ]
