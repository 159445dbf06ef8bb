"""Letting held payloads go once the cause is mended: they are decoded again by the rules that now hold."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from monitord.clock import Clock
from monitord.errors import DecodeError
from monitord.ingest.decoding.decode import PartlyDecodedError, decode
from monitord.ingest.decoding.records import NO_AGE
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.payload_limit import TOO_LARGE
from monitord.ingest.writer import ALONE, RETAINED, Outcome, message_is_to_blame
from monitord.model.readings import Reading
from monitord.store.db.database import Database
from monitord.store.maintenance.quarantine_limits import CUT
from monitord.store.quarantine import Held, list_held, mark_released
from monitord.store.series.readings import CONFLICT, insert_batch

_AT_ONCE = 200
_FINAL = {
    ALONE: "its other half never came; `monitord quarantine drop` once the gateway is mended",
    CONFLICT: "contradicts a stored reading; the first one is kept, and this one as evidence",
    TOO_LARGE: "only its beginning was kept; the sender must publish it again, in parts",
    RETAINED + TOO_LARGE: "only its beginning was kept; the sender must publish it again, in parts",
}
"""What no release can mend, by reason code."""


def _final(code: str) -> str | None:
    if code.startswith(CUT):
        return "only its beginning was kept, since its gateway held too much; the sender must publish it again"
    return _FINAL.get(code)


class StillHeld(NamedTuple):
    """A payload that stays in quarantine, and why."""

    id: int
    topic: str
    reason: str


class Release(NamedTuple):
    """What became of the payloads that were tried."""

    released: int
    """Payloads that are understood now, and held no longer."""
    outcome: Outcome
    """What became of their readings, and of the good records of those that stay."""
    still_held: list[StillHeld]


class _Tried(NamedTuple):
    held: Held
    readings: Sequence[Reading]
    error: DecodeError | None


def release(db: Database, rules: TopicRules, clock: Clock, ids: Collection[int] | None = None) -> Release:
    """Decode what is held again, store what can be understood now, and let it go.

    A reading keeps the time at which its payload first reached the program. What was a retained replay then does
    not count as seen live now. Readings that contradict stored ones, and payloads of which only the beginning was
    kept, stay: there is nothing in them to mend. A forecast is only let go: it is old by now.

    Parameters
    ----------
    ids : of the payloads to try; None: all that are held.

    Raises
    ------
    StoreError : the database refused; payloads already let go stay so, the others are still held.
    """
    with db.read() as conn:
        held = [item for item in list_held(conn) if ids is None or item.id in ids]
    total = Release(0, Outcome(), [StillHeld(h.id, h.topic, why) for h in held if (why := _final(h.code))])
    tried = [_try(item, rules) for item in reversed(held) if _final(item.code) is None]
    for start in range(0, len(tried), _AT_ONCE):
        total = _plus(total, _let_go(db, tried[start : start + _AT_ONCE], clock))
    return total


def _try(held: Held, rules: TopicRules) -> _Tried:
    try:
        retained = held.code.startswith(RETAINED)
        delayed = held.code == NO_AGE
        content = decode(held.topic, held.payload, held.received_at, rules, retained=retained, delayed=delayed)
        if content.halves:
            return _Tried(held, content.readings, _half())
        return _Tried(held, content.readings, None)
    except PartlyDecodedError as error:
        return _Tried(held, error.readings, error)
    except DecodeError as error:
        return _Tried(held, (), error)


def _half() -> DecodeError:
    return DecodeError(
        "half_reading",
        "half of a reading can't be released",
        why="its other half was a live message that is gone",
        remedy="The next two live messages make a reading",
    )


def _let_go(db: Database, tried: Sequence[_Tried], clock: Clock) -> Release:
    """Commit payloads together; where the database can't hold one, commit them one by one."""
    try:
        return _commit(db, tried, clock)
    except Exception as error:
        if not message_is_to_blame(error):
            raise
        if len(tried) == 1:
            return Release(0, Outcome(), [StillHeld(tried[0].held.id, tried[0].held.topic, str(error)[:200])])
    total = Release(0, Outcome(), [])
    for one in tried:
        total = _plus(total, _let_go(db, [one], clock))
    return total


def _commit(db: Database, tried: Sequence[_Tried], clock: Clock) -> Release:
    readings: list[Reading] = []
    replayed: list[int] = []
    for item in tried:
        if item.held.code.startswith(RETAINED):
            replayed += range(len(readings), len(readings) + len(item.readings))
        readings += item.readings
    understood = [item.held for item in tried if item.error is None]
    with db.write() as conn:
        result = insert_batch(conn, readings, frozenset(replayed))
        for held in understood:
            mark_released(conn, held.id, clock.now())
    outcome = Outcome(result.inserted, result.repeats, len(result.conflicts), 0)
    still = [StillHeld(t.held.id, t.held.topic, t.error.message) for t in tried if t.error is not None]
    return Release(len(understood), outcome, still)


def _plus(a: Release, b: Release) -> Release:
    return Release(a.released + b.released, a.outcome.plus(b.outcome), a.still_held + b.still_held)
