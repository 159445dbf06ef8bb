"""Quarantine within bounds: by age, and by bytes for each gateway, so that one that floods takes nothing from others.

Over its bytes a gateway's oldest payloads are first cut to their beginning, with length and SHA-256 of the whole kept
in the reason; if that is not enough, its oldest entries go. A payload that was cut can't be released; the same one that
comes again is held whole again.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, delete, func, select, update

from monitord.store.db.tables import quarantine
from monitord.store.db.times import to_ms

CUT = "cut:"
"""Begins the reason code of a payload that was cut to keep its gateway within its bytes."""
KEPT_BYTES = 256
"""How much of a payload's beginning stays when it is cut: enough to see what it was. Our choice."""
ROW_BYTES = 512
"""What an entry takes beside its payload, roughly: topic, reason and index. Our choice."""
_EASED = 0.75
"""A gateway over its bytes is brought down to this share of them, so that it is not over them again. Our choice."""


class Trimmed(NamedTuple):
    """What was done to keep quarantine within its bounds."""

    cut: int
    dropped: int


class _Entry(NamedTuple):
    id: int
    payload_bytes: int

    @property
    def size(self) -> int:
        return self.payload_bytes + ROW_BYTES


def gateway_of(topic: str) -> str:
    """Whose a topic is: its first two levels, where our own topics name the gateway."""
    return "/".join(topic.split("/", 2)[:2])


def trim(conn: Connection, now: datetime, max_age: timedelta, max_bytes: int) -> Trimmed:
    """Bring quarantine within its bounds.

    Parameters
    ----------
    max_age : entries that last came, or were released, longer ago than this go.
    max_bytes : what one gateway may hold.
    """
    dropped = conn.execute(_OLD, {"before": to_ms(now - max_age)}).rowcount
    by_gateway: dict[str, list[_Entry]] = defaultdict(list)
    for row in conn.execute(_SIZES):
        by_gateway[gateway_of(row.topic)].append(_Entry(row.id, row.payload_bytes))
    cut = 0
    for entries in by_gateway.values():
        if sum(entry.size for entry in entries) > max_bytes:
            cut_here, dropped_here = _ease(conn, entries, int(max_bytes * _EASED))
            cut, dropped = cut + cut_here, dropped + dropped_here
    return Trimmed(cut, dropped)


def drop(
    conn: Connection, ids: list[int] | None = None, code: str | None = None, before: datetime | None = None
) -> int:
    """Remove what is held; all conditions that are given must hold. How many entries went."""
    statement = delete(quarantine).where(quarantine.c.released_ms.is_(None))
    if ids is not None:
        statement = statement.where(quarantine.c.id.in_(ids))
    if code is not None:
        statement = statement.where(quarantine.c.code == code)
    if before is not None:
        statement = statement.where(quarantine.c.last_received_ms < to_ms(before))
    return conn.execute(statement).rowcount


def _ease(conn: Connection, entries: list[_Entry], target: int) -> tuple[int, int]:
    """Cut, then drop, from the oldest on, until what is held is at most `target` bytes."""
    left, cut, dropped = sum(entry.size for entry in entries), 0, 0
    for i, entry in enumerate(entries):
        if left <= target:
            return cut, dropped
        if entry.payload_bytes > KEPT_BYTES:
            _cut(conn, entry.id)
            left -= entry.payload_bytes - KEPT_BYTES
            entries[i] = entry._replace(payload_bytes=KEPT_BYTES)
            cut += 1
    gone = []
    for entry in entries:
        if left <= target:
            break
        gone.append({"entry": entry.id})
        left -= entry.size
    if gone:
        conn.execute(_GONE, gone)
    return cut, len(gone)


def _cut(conn: Connection, entry: int) -> None:
    row: Any = conn.execute(_WHOLE, {"entry": entry}).one()
    payload = bytes(row.payload)
    known = f"cut to {KEPT_BYTES} of {len(payload):,} bytes, SHA-256 {hashlib.sha256(payload).hexdigest()}"
    if row.code.startswith(CUT):
        return
    changes = {"payload": payload[:KEPT_BYTES], "code": CUT + row.code, "reason": f"{row.reason} [{known}]"}
    conn.execute(_CUT, {"entry": entry, **changes})


# --- statements ---------------------------------------------------------------------------------------------

_OLD = delete(quarantine).where(
    func.coalesce(quarantine.c.released_ms, quarantine.c.last_received_ms) < bindparam("before")
)

_SIZES = select(quarantine.c.id, quarantine.c.topic, func.length(quarantine.c.payload).label("payload_bytes")).order_by(
    quarantine.c.last_received_ms, quarantine.c.id
)

_WHOLE = select(quarantine.c.payload, quarantine.c.code, quarantine.c.reason).where(
    quarantine.c.id == bindparam("entry")
)

_CUT = (
    update(quarantine)
    .where(quarantine.c.id == bindparam("entry"))
    .values(payload=bindparam("payload"), code=bindparam("code"), reason=bindparam("reason"))
)

_GONE = delete(quarantine).where(quarantine.c.id == bindparam("entry"))
