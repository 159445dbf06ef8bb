"""Who may do what: people and their roles, tokens of programs and their scopes, and whoever asks at the moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Annotated

from pydantic import Field

PersonId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._@+-]{1,63}$")]
"""The name that a person signs in with: small letters, digits and `. _ @ + -`, such as an e-mail address."""


class Role(StrEnum):
    """What a person may do. Each role may do all that the one before it may."""

    VIEWER = "viewer"
    """Look at the jobs that they may see."""
    TECHNICIAN = "technician"
    """Work on them: place probes, take spot readings, acknowledge and mute alerts, share a job with its client."""
    OWNER = "owner"
    """All jobs, and who has access to them."""

    def covers(self, other: Role) -> bool:
        """Whether this role may do what the other one may."""
        return _RANK[self] >= _RANK[other]


_RANK = {Role.VIEWER: 0, Role.TECHNICIAN: 1, Role.OWNER: 2}


class Scope(StrEnum):
    """What a token of a program is good for; one thing each."""

    READ = "read"
    """Read the JSON API, tables as CSV, and metrics."""
    INGEST = "ingest"
    """Hand readings in, and nothing else: not even read them back."""


@dataclass(frozen=True)
class Person:
    """Someone who may sign in."""

    person: str
    """What they sign in with."""
    name: str
    role: Role
    jobs: frozenset[str] | None
    """The jobs that they may see; None: all. An owner sees all."""
    has_password: bool
    ended_at: datetime | None = None
    """When their access was ended."""


@dataclass(frozen=True)
class Session:
    """One browser that is signed in."""

    digest: str
    person: str
    made_at: datetime
    seen_at: datetime
    expires_at: datetime
    address: str
    device: str
    """What the browser says of itself."""


@dataclass(frozen=True)
class ApiToken:
    """A program's key; of the key itself only a digest is kept."""

    id: int
    name: str
    scope: Scope
    made_by: str
    made_at: datetime
    used_at: datetime | None
    ended_at: datetime | None


@dataclass(frozen=True)
class ClientLink:
    """A read-only link to one job, for someone who does not sign in."""

    id: str
    job: str
    given_to: str
    made_by: str
    made_at: datetime
    expires_at: datetime
    ended_at: datetime | None
    opened: int
    """How many times its page was loaded."""
    opened_at: datetime | None

    def over(self, at: datetime) -> bool:
        """Whether it has expired or was revoked."""
        return at >= self.expires_at or (self.ended_at is not None and at >= self.ended_at)


@dataclass(frozen=True)
class AuditEntry:
    """One change: who made it, when, and what it was."""

    at: datetime
    who: str
    what: str
    job: str | None
    detail: str
    address: str


@dataclass(frozen=True)
class Visitor:
    """Whoever asks for a page or hands something in."""

    name: str = ""
    """What others see beside what they did; empty: nobody has signed in."""
    person: str | None = None
    """Who signs in by that name; None: nobody, or a program."""
    role: Role | None = None
    scope: Scope | None = None
    """Of a program's token."""
    jobs: frozenset[str] | None = frozenset()
    """The jobs that they may see; None: all."""
    session: str = ""
    """Digest of the session."""
    form_token: str = ""
    """Stands in each form of a page, so that a form made elsewhere is refused."""
    address: str = ""
    """Where the request comes from."""

    @property
    def signed_in(self) -> bool:
        """Whether it is a person."""
        return self.person is not None

    @property
    def sees_all(self) -> bool:
        """Whether no job is hidden from them."""
        return self.jobs is None

    @property
    def may_work(self) -> bool:
        """Whether they may change a job that they see."""
        return self.role is not None and self.role.covers(Role.TECHNICIAN)

    @property
    def is_owner(self) -> bool:
        """Whether they decide who has access."""
        return self.role is Role.OWNER

    def may_see(self, job: str) -> bool:
        """Whether a job is not hidden from them; what is about no job is for those who see all."""
        return self.jobs is None or job in self.jobs


NOBODY = Visitor()
