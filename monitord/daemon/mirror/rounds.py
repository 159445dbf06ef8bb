"""Rounds of the mirror: what is due goes out, and is due no more once the server has answered for it."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from typing import Protocol

from sqlalchemy import Connection

from monitord.clock import Clock
from monitord.daemon.mirror.points import assessment_lines, reading_lines, self_line, slot_of
from monitord.store import assessments, jobs
from monitord.store import mirror as stored
from monitord.store.db.database import Database
from monitord.store.db.times import to_ms
from monitord.store.mirror import DueHour
from monitord.store.series.influx.server import MAX_POINTS, Answer, Verdict

_log = logging.getLogger(__name__)
_HOURS, _ASSESSMENTS = 500, 50
"""Looked at in one step: 500 hours of a probe that reports each 10 minutes are 3,000 points. Our choice."""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 300.0
"""After a failure the wait doubles from the first to the longest, without end. Our choice. [s]"""


class Writes(Protocol):
    """Where lines go."""

    def write(self, lines: Sequence[str]) -> Answer:
        """Write some lines, and say what came of it."""
        ...


class _StoppedError(Exception):
    """The server does not take what it is told; nothing of this step is settled."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.reason)
        self.answer = answer


class Mirror:
    """Tells a server what the store has noted for it.

    Parameters
    ----------
    stopping : whether the program is about to end; a long catching up stops then, and goes on at the next start.
    moved : called after each step.
    confirm : called in each transaction that says what the server has taken; raises where another process is the one
        that tells it now, since that one may have told it more.
    """

    def __init__(
        self,
        db: Database,
        clock: Clock,
        server: Writes,
        moved: Callable[[], object] = lambda: None,
        stopping: Callable[[], bool] = lambda: False,
        confirm: Callable[[Connection], None] = lambda _: None,
    ) -> None:
        self._db, self._clock, self._server = db, clock, server
        self._moved, self._stopping, self._confirm = moved, stopping, confirm
        self._seen: dict[str, datetime] = {}
        self._wait_s = 0.0
        self._next_at: datetime | None = None
        self._told_too_old = False

    def run_once(self) -> int:
        """Tell all that is due, unless a failure asks for patience; how many lines the server took."""
        self._note_assessments()
        if self._next_at is not None and self._clock.now() < self._next_at:
            return 0
        taken = 0
        try:
            while (lines := self._readings() + self._assessments()) and not self._stopping():
                taken += lines
                self._moved()
        except _StoppedError as stopped:
            self._put_off(stopped.answer)
        return taken

    def _note_assessments(self) -> None:
        """Turn assessments that are new into lines, whether or not the server is there."""
        with self._db.read() as conn:
            new = {job: at for job, at in assessments.made_at(conn).items() if self._seen.get(job) != at}
            found = [(jobs.get_job(conn, job), assessments.latest_assessment(conn, job)) for job in new]
        noted = [
            (job.job, slot_of(to_ms(found_.as_of)), to_ms(found_.as_of), job, found_)
            for job, found_ in found
            if job is not None and found_ is not None and found_.locations
        ]
        if noted:
            with self._db.write() as conn:
                for name, slot, at, job, assessment in noted:
                    stored.note_assessment(conn, name, slot, at, assessment_lines(job, assessment, slot))
        self._seen |= new

    def _readings(self) -> int:
        """One step of readings; how many lines went."""
        with self._db.read() as conn:
            hours = stored.due_hours(conn, _HOURS)
            rows = stored.due_readings(conn, hours, MAX_POINTS + 1) if hours else []
        if not hours:
            return 0
        rest = rows[MAX_POINTS:]
        rows = rows[:MAX_POINTS]
        bad = self._write(reading_lines([row for _, row in rows]))
        # where rows were cut off, the hour of the first that is left is told in part, those after it not at all
        done: list[DueHour] = hours[: rest[0][0]] if rest else hours
        partly = (hours[rest[0][0]], int(rest[0][1][1])) if rest else None
        with self._db.write() as conn:
            self._confirm(conn)
            stored.settle_hours(conn, done, partly)
            self._accepted(conn, bad)
        return len(rows)

    def _assessments(self) -> int:
        with self._db.read() as conn:
            due = stored.due_assessments(conn, _ASSESSMENTS)
        lines = [line for *_, some in due for line in some]
        if not lines:
            return 0
        bad = [refused for part in _parts(lines) for refused in self._write(part)]
        with self._db.write() as conn:
            self._confirm(conn)
            stored.settle_assessments(conn, due)
            self._accepted(conn, bad)
        return len(lines)

    def _accepted(self, conn: Connection, bad: Sequence[tuple[str, str]]) -> None:
        now = self._clock.now()
        stored.note_accepted(conn, now)
        if bad:
            stored.park(conn, bad, now)
            _log.error("the mirror refuses %d lines, parked; the first: %s", len(bad), bad[0][1])
        if self._next_at is not None:
            _log.info("the mirror takes readings again")
        self._next_at, self._wait_s = None, 0.0

    def _write(self, lines: Sequence[str]) -> list[tuple[str, str]]:
        """Write lines; returns those that are refused for what they say, each with the reason.

        A refused write is halved until the bad line stands alone. So that a server that refuses everything is not
        taken for one that refuses a line, a line is parked only after a plain point was taken.
        """
        if not lines:
            return []
        answer = self._server.write(lines)
        if answer.verdict is Verdict.ACCEPTED:
            return []
        if answer.verdict is Verdict.TOO_OLD:
            if not self._told_too_old:
                self._told_too_old = True
                _log.warning(
                    "the mirror keeps no points as old as some of ours, and leaves them out: %s", answer.reason
                )
            return []
        if answer.verdict is not Verdict.BAD_LINE:
            raise _StoppedError(answer)
        if len(lines) > 1:
            middle = len(lines) // 2
            return [*self._write(lines[:middle]), *self._write(lines[middle:])]
        plain = self._server.write([self_line(to_ms(self._clock.now()))])
        if plain.verdict is Verdict.ACCEPTED:
            return [(lines[0], answer.reason)]
        refuses_all = plain.verdict in (Verdict.BAD_LINE, Verdict.TOO_OLD)
        raise _StoppedError(plain._replace(verdict=Verdict.REFUSED) if refuses_all else plain)

    def _put_off(self, answer: Answer) -> None:
        """Wait before the next try: longer each time, and longest where a person has to change something."""
        now, refused = self._clock.now(), answer.verdict is Verdict.REFUSED
        longer = _LONGEST_WAIT_S if refused else max(_FIRST_WAIT_S, 2.0 * self._wait_s)
        self._wait_s = min(longer, _LONGEST_WAIT_S)
        self._next_at = now + timedelta(seconds=max(self._wait_s, answer.wait_s or 0.0))
        with self._db.write() as conn:
            before = stored.state(conn)
            stored.note_problem(conn, answer.reason, now, refused=refused)
        if before is None or before.problem is None or before.refused != refused:
            word = "refuses everything until someone changes something" if refused else "is away"
            _log.error("the mirror %s: %s", word, answer.reason)


def _parts(lines: list[str]) -> Iterator[list[str]]:
    for start in range(0, len(lines), MAX_POINTS):
        yield lines[start : start + MAX_POINTS]
