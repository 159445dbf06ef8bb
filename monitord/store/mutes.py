"""Mutes: people's wishes not to be told. Whether one is active is computed from a time, never stored."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, select, update

from monitord.model.messages import Mute
from monitord.store.db.alert_tables import mute as mute_table
from monitord.store.db.times import to_ms

_m = mute_table.c


def add_mute(conn: Connection, mute: Mute) -> None:
    """Keep a new mute."""
    conn.execute(mute_table.insert(), {"id": mute.id, "end_ms": to_ms(mute.end), "document": mute.model_dump_json()})


def get_mute(conn: Connection, mute_id: str) -> Mute | None:
    """The mute with that id, if there is one."""
    document = conn.execute(select(_m.document).where(_m.id == mute_id)).scalar_one_or_none()
    return None if document is None else Mute.model_validate_json(document)


def mutes(conn: Connection, ending_after: datetime | None = None) -> list[Mute]:
    """The mutes that end after a time (none: all of them), the one that ends first at the top."""
    chosen = select(_m.document).order_by(_m.end_ms, _m.id)
    if ending_after is not None:
        chosen = chosen.where(_m.end_ms > to_ms(ending_after))
    return [Mute.model_validate_json(document) for document in conn.execute(chosen).scalars()]


def end_mute(conn: Connection, mute_id: str, at: datetime, by: str) -> Mute | None:
    """End a mute before its time; what it said and who ended it stays on record.

    One that is over already is left as it is; None where there is none with that id.
    """
    found = get_mute(conn, mute_id)
    if found is None or found.ended_at is not None or found.end <= at:
        return found
    ended = found.model_copy(update={"ended_at": at, "ended_by": by})
    changed = {"end_ms": to_ms(at), "document": ended.model_dump_json()}
    conn.execute(update(mute_table).where(_m.id == mute_id).values(changed))
    return ended
