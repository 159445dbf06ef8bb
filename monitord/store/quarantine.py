"""What could not be understood or believed, kept with the reason until someone has mended the cause.

The same payload on the same topic for the same reason is one row that counts: a retained message that comes
back at every reconnect, or one delivered again after a crash, does not fill the disk.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Insert, bindparam, func, select, update

from monitord.store.db.statements import insert_or_update
from monitord.store.db.tables import quarantine
from monitord.store.db.times import from_ms, to_ms


@dataclass(frozen=True)
class Held:
    """One payload in quarantine."""

    id: int
    topic: str
    payload: bytes
    code: str
    """Groups the reasons."""
    reason: str
    received_at: datetime
    """When it first came."""
    last_received_at: datetime
    times: int
    """How often it came."""
    released_at: datetime | None
    """None: held."""


def put(
    conn: Connection,
    topic: str,
    payload: bytes,
    received_at: datetime,
    code: str,
    reason: str,
    whole_sha256: str | None = None,
) -> None:
    """Keep a payload; if it had been released and comes again, it is held again.

    Parameters
    ----------
    whole_sha256 : of the whole payload, where `payload` is only its beginning; it tells such payloads apart.
    """
    identity = (topic.encode(), code.encode(), payload if whole_sha256 is None else whole_sha256.encode())
    digest = hashlib.sha256(b"\0".join(identity)).hexdigest()
    received_ms = to_ms(received_at)
    conn.execute(
        _keep(conn.dialect.name),
        {
            "digest": digest,
            "topic": topic,
            "payload": payload,
            "code": code,
            "reason": reason,
            "received_ms": received_ms,
            "last_received_ms": received_ms,
            "times": 1,
            "released_ms": None,
        },
    )


def list_held(conn: Connection, code: str | None = None, limit: int | None = None) -> list[Held]:
    """What is held, the latest first; of one reason code, or of all."""
    statement = _HELD if code is None else _HELD.where(quarantine.c.code == code)
    return [_held(row) for row in conn.execute(statement.limit(limit))]


def get_held(conn: Connection, held_id: int) -> Held | None:
    """One that is held; None: there is none of this number."""
    row = conn.execute(_HELD.where(quarantine.c.id == held_id)).first()
    return None if row is None else _held(row)


def count_held(conn: Connection) -> dict[str, int]:
    """How many payloads came for each reason code, repeats counted, of those still held."""
    return {code: int(times) for code, times in conn.execute(_COUNTS)}


def mark_released(conn: Connection, held_id: int, at: datetime) -> None:
    """The payload was understood after all; it is kept, but no longer held."""
    conn.execute(_RELEASED, {"held_id": held_id, "at": to_ms(at)})


def _held(row: Any) -> Held:
    return Held(
        id=row.id,
        topic=row.topic,
        payload=bytes(row.payload),
        code=row.code,
        reason=row.reason,
        received_at=from_ms(row.received_ms),
        last_received_at=from_ms(row.last_received_ms),
        times=row.times,
        released_at=None if row.released_ms is None else from_ms(row.released_ms),
    )


# --- statements ---------------------------------------------------------------------------------------------

_COLUMNS = [c for c in quarantine.c if c.name != "digest"]

_HELD = (
    select(*_COLUMNS)
    .where(quarantine.c.released_ms.is_(None))
    .order_by(quarantine.c.last_received_ms.desc(), quarantine.c.id.desc())
)

_COUNTS = (
    select(quarantine.c.code, func.sum(quarantine.c.times))
    .where(quarantine.c.released_ms.is_(None))
    .group_by(quarantine.c.code)
    .order_by(quarantine.c.code)
)

_RELEASED = update(quarantine).where(quarantine.c.id == bindparam("held_id")).values(released_ms=bindparam("at"))


@lru_cache(maxsize=4)
def _keep(dialect: str) -> Insert:
    return insert_or_update(
        dialect,
        quarantine,
        lambda excluded: {
            "payload": excluded.payload,  # whole again, where it had been cut
            "code": excluded.code,
            "reason": excluded.reason,
            "last_received_ms": excluded.last_received_ms,
            "times": quarantine.c.times + 1,
            "released_ms": None,
        },
        key=["digest"],
    )
