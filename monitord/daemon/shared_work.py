"""The part of one process in work that several share: who is there, whose job is whose, who does what one does alone.

Each job belongs to one of the living processes, by rendezvous hashing: all of them find the same one without asking,
and when one comes or goes only the jobs change hands that it takes or leaves. So a job stays with the process that has
its record in memory. What two of them may think for a moment while one comes or goes does no harm: a job is assessed
under a lease, and committed only while that is the newest.
"""

from __future__ import annotations

import logging
import os
import secrets
import socket
from collections.abc import Collection, Iterable, Iterator
from hashlib import blake2b
from threading import Lock
from time import monotonic
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from monitord.errors import ConfigurationError, StoreError, TakenOverError
from monitord.ingest.mqtt.shared_group import check_group
from monitord.model.config.roles import DaemonRole
from monitord.model.config.settings import Settings
from monitord.store import pending_jobs
from monitord.store.db.database import Database, server_url
from monitord.store.db.times import from_ms
from monitord.store.maintenance import leases
from monitord.store.maintenance.leases import Lease

if TYPE_CHECKING:
    from monitord.pipeline import ClaimedJobs

_log = logging.getLogger(__name__)

LEASE_S = 60.0
"""How long a sign of life counts, and a lease holds without being renewed: after so long the work of a process that
died is another's. Our choice. [s]"""
_SIGNS = 6
"""Signs of life within that time, so that a few may fail."""
_AT_ONCE = 8
"""Jobs claimed together, so that a lease is held for seconds. Our choice."""
_JOB, _TASK = "job", "task"


def owner_of(name: str, workers: Iterable[str]) -> str | None:
    """Whose a job is: that of the workers that scores highest for it (rendezvous hashing); None: there are none."""
    return max(workers, key=lambda worker: blake2b(f"{worker}\0{name}".encode(), digest_size=8).digest(), default=None)


def shares_work(settings: Settings, roles: Collection[DaemonRole], member: str | None) -> bool:
    """Whether a process with these roles shares its work with others.

    Raises
    ------
    ConfigurationError : the database can't be shared, or the readings can't.
    """
    server = server_url(settings.database.url) is not None
    if member is not None:
        if not server or (roles and DaemonRole.INGEST not in roles):
            raise ConfigurationError(
                "--name is for one of several processes with the role ingest",
                remedy="Write --role ingest --name 1, with a database on PostgreSQL; or leave --name out",
            )
        check_group(member, settings.all_brokers.values(), settings.topics)
    if not server and roles and set(roles) != set(DaemonRole):
        raise ConfigurationError(
            "roles can't be shared out between processes on SQLite",
            where="database.url",
            why="its file belongs to one process",
            remedy="Leave --role out: one process then does everything; or move to PostgreSQL: `monitord store move`",
        )
    return server and bool(roles or member is not None)


class SharedWork:
    """What one process may work on, and what it tells the others.

    Parameters
    ----------
    id_ : names this run of the process; made up where it is not given.
    """

    def __init__(self, db: Database, roles: Iterable[DaemonRole], id_: str | None = None) -> None:
        self._db = db
        self.roles = frozenset(roles)
        self.id = id_ or f"{socket.gethostname()}-{os.getpid()}-{secrets.token_hex(4)}"
        self.lease_s = LEASE_S
        self.announce_s = LEASE_S / _SIGNS
        """How often a sign of life is to be given. [s]"""
        self._leading: dict[str, tuple[Lease, float]] = {}
        self._asking = Lock()
        self._assessors: list[str] = []

    # --- signs of life ------------------------------------------------------------------------------------------

    def announce(self) -> None:
        """Give a sign of life."""
        with self._db.write(shared=True) as conn:
            self._announce(conn)

    def _announce(self, conn: Connection) -> int:
        now_ms = leases.database_ms(conn)
        leases.announce(conn, self.id, self.roles, now_ms, self._end(now_ms))
        return now_ms

    def leave(self) -> None:
        """Go, and let the others take over at once."""
        with self._db.write() as conn:
            leases.withdraw(conn, self.id)
            leases.give_back_all(conn, self.id)

    def missing(self) -> str | None:
        """A role that nobody has at present, in words; None: each of them is taken."""
        try:
            with self._db.read() as conn:
                now_ms = leases.database_ms(conn)
                gone = [r for r in DaemonRole if r is not DaemonRole.WEB and not leases.living(conn, r, now_ms)]
        except StoreError as error:
            return error.message
        return f"no process with the role {' or '.join(gone)} has given a sign of life" if gone else None

    # --- jobs ---------------------------------------------------------------------------------------------------

    def batches(self) -> Iterator[ClaimedJobs]:
        """The jobs that are to be assessed and are ours, claimed a few at a time as they are asked for.

        What is read of a job after its claim is what nobody else commits meanwhile, and its mark is read with it: a
        job that another has just assessed is not assessed as of an earlier time.
        """
        from monitord.pipeline import ClaimedJobs  # loads the analysis, which not every role needs

        with self._db.write(shared=True) as conn:
            now_ms = self._announce(conn)
            self._assessors = leases.living(conn, DaemonRole.ASSESS, now_ms)
            mine = [job for job, _ in pending_jobs.marked_jobs(conn) if self.is_mine(job)]
        for start in range(0, len(mine), _AT_ONCE):
            with self._db.write(shared=True) as conn:
                now_ms = self._announce(conn)
                names = mine[start : start + _AT_ONCE]
                claimed = leases.claim(conn, _JOB, names, self.id, now_ms, self._end(now_ms))
                marks = dict(pending_jobs.marked_jobs(conn, claimed))
                for name in claimed.keys() - marks:
                    leases.finish(conn, claimed[name])
            jobs = [(name, marks[name], lease) for name, lease in claimed.items() if name in marks]
            yield ClaimedJobs(from_ms(now_ms), jobs)

    def is_mine(self, job: str) -> bool:
        """Whether a job is this process's, as it was last looked at."""
        return owner_of(job, self._assessors) == self.id

    # --- what one does alone ------------------------------------------------------------------------------------

    def leads(self, task: str) -> bool:
        """Whether this process is the one that does a task; asked each time before it is done.

        After a pause it is asked anew, since another may have taken it.
        """
        with self._asking:
            return self._leads(task)

    def _leads(self, task: str) -> bool:
        held = self._leading.get(task)
        if held is not None and monotonic() - held[1] < self.announce_s / 2.0:
            return True
        asked_at = monotonic()
        with self._db.write(shared=True) as conn:
            now_ms = leases.database_ms(conn)
            if held is not None and leases.renew(conn, held[0], self._end(now_ms)):
                lease: Lease | None = held[0]
            else:
                lease = leases.claim(conn, _TASK, [task], self.id, now_ms, self._end(now_ms)).get(task)
        if (lease is None) != (held is None):
            _log.info("this process %s: %s", "no longer does alone" if lease is None else "does alone", task)
        if lease is None:
            self._leading.pop(task, None)
            return False
        self._leading[task] = (lease, asked_at)
        return True

    def confirm(self, conn: Connection, task: str) -> None:
        """In the transaction that keeps what was done for a task: that it is still this process's.

        Raises
        ------
        TakenOverError : another does it.
        """
        held = self._leading.get(task)
        if held is None or not leases.renew(conn, held[0], self._end(leases.database_ms(conn))):
            raise TakenOverError(f"another process does {task!r} now; what this one had begun is dropped")

    def _end(self, now_ms: int) -> int:
        return now_ms + round(1000.0 * self.lease_s)
