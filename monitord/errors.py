"""Every error of the program, sorted by what its caller does next.

::

    MonitordError                what, where, why and the remedy, in one message
    ├── ConfigurationError       a setting or rule file is wrong: mend it and start again
    ├── JobFileError             a job file is wrong: nothing of it was applied
    ├── DecodeError              a payload can't be understood: it goes to quarantine
    ├── StoreError               the database refused: retry, then ask the operator
    ├── TakenOverError           another process does it now: keep nothing, and go on
    ├── BrokerError              the broker refused or is away: retry with backoff
    ├── AccessError              a person, token or link may not do this: tell who asked
    └── PhysicsRangeError        an argument lies outside an equation's range (also a ValueError)
"""

from __future__ import annotations


class MonitordError(Exception):
    """An error that tells its reader what happened, where, why, and how to mend it."""

    def __init__(
        self, what: str, *, where: str | None = None, why: str | None = None, remedy: str | None = None
    ) -> None:
        self.what = what
        self.where = where
        self.why = why
        self.remedy = remedy
        super().__init__(self.message)

    @property
    def message(self) -> str:
        """The whole message on one line."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.why:
            text += f" ({self.why})"
        if self.remedy:
            text += f". {self.remedy}"
        return text


class ConfigurationError(MonitordError):
    """A setting, rule file or mapping is wrong."""


class JobFileError(MonitordError):
    """A job file is wrong; nothing of it was applied."""

    def __init__(
        self,
        what: str,
        *,
        where: str | None = None,
        why: str | None = None,
        remedy: str | None = None,
        mistakes: tuple[str, ...] = (),
    ) -> None:
        super().__init__(what, where=where, why=why, remedy=remedy)
        self.mistakes = mistakes or (self.message,)
        """Each thing that is wrong, with file, key and remedy."""

    @classmethod
    def of(cls, errors: list[JobFileError]) -> JobFileError:
        """All of them as one: a single one as it is, several below one another."""
        mistakes = tuple(mistake for error in errors for mistake in error.mistakes)
        if len(mistakes) == 1:
            return errors[0]
        lines = "".join(f"\n  {mistake}" for mistake in mistakes)
        return cls(f"{len(mistakes)} mistakes; nothing was applied{lines}", mistakes=mistakes)


class DecodeError(MonitordError):
    """A payload can't be understood; `code` groups the reasons in quarantine."""

    def __init__(
        self,
        code: str,
        what: str,
        *,
        where: str | None = None,
        why: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.code = code
        super().__init__(what, where=where, why=why, remedy=remedy)


class StoreError(MonitordError):
    """The database could not do what was asked."""


class TakenOverError(MonitordError):
    """Another process has taken the work over; nothing of what this one found is kept."""


class BrokerError(MonitordError):
    """The broker refused the connection or can't be reached."""


class AccessError(MonitordError):
    """A person, token or link is not there, is over, or may not do this; the message can be shown to who asked."""


class PhysicsRangeError(MonitordError, ValueError):
    """An argument is not finite or lies outside the range of an equation."""
