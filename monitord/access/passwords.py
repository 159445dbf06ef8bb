"""Passwords: what is asked of one, and its hash (Argon2id, RFC 9106).

A hash takes about 0.1 s and 64 MiB on purpose, so only few are computed at once: a flood of tries waits at the gate
and does not take the memory that readings need.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from monitord.errors import AccessError

MIN_LENGTH, MAX_LENGTH = 15, 256
"""Characters. At least 15 where a password is all that is asked for, and no rules about which ones (NIST SP 800-63B-4,
3.1.1.2; from memory); the upper end is our choice."""
AT_ONCE = 2
"""Hashes computed at the same time (our choice: 128 MiB)."""
_WAIT_S = 10.0

_hasher = PasswordHash((Argon2Hasher(),))
_gate = threading.BoundedSemaphore(AT_ONCE)


def check_new(password: str, *names: str) -> None:
    """Refuse a new password that is easily guessed.

    Parameters
    ----------
    names : what it must not be made of alone: the person's own names.

    Raises
    ------
    AccessError : says what is asked for.
    """
    if len(password) < MIN_LENGTH:
        raise AccessError(
            f"The password has {len(password)} characters, fewer than {MIN_LENGTH}",
            remedy="Four or five words that don't belong together are easy to keep in mind",
        )
    if len(password) > MAX_LENGTH:
        raise AccessError(f"The password has more than {MAX_LENGTH} characters")
    rest = password.casefold()
    for name in names:
        rest = rest.replace(name.casefold(), "") if name else rest
    if len(set(rest)) < 5:
        raise AccessError(
            "The password is one pattern over and over, or your own name", remedy="Take several words instead"
        )


def hash_password(password: str) -> str:
    """The hash to keep. Takes about 0.1 s, in the caller's thread.

    Raises
    ------
    AccessError : too many are being computed.
    """
    with _one_of_few():
        return _hasher.hash(password)


def verify(password: str, hashed: str | None) -> bool:
    """Whether a password fits a hash; without one it takes as long and says no.

    Raises
    ------
    AccessError : too many are being computed.
    """
    with _one_of_few():
        try:
            fits = _hasher.verify(password[:MAX_LENGTH], hashed or _nobodys())
        except Exception:  # a hash of a form that this program does not know
            return False
        return fits and hashed is not None


@lru_cache(maxsize=1)
def _nobodys() -> str:
    return _hasher.hash("nobody has this password")


@contextmanager
def _one_of_few() -> Iterator[None]:
    if not _gate.acquire(timeout=_WAIT_S):
        raise AccessError("Too many people are signing in at the moment", remedy="Try again in a minute")
    try:
        yield
    finally:
        _gate.release()
