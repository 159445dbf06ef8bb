"""What a page makes of frozen things, kept until one of them is another: pages are asked for far more often than a
job is assessed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

V = TypeVar("V")


class Kept(Generic[V]):
    """The latest value of each key, with what it was made of; those asked for last, up to a size.

    Parameters
    ----------
    keep : Sum of the sizes that are kept.
    size : Of a value; without it each counts as one.
    """

    def __init__(self, keep: int, size: Callable[[V], int] = lambda _: 1) -> None:
        self._keep, self._size, self._total = keep, size, 0
        self._held: OrderedDict[Hashable, tuple[tuple[object, ...], V]] = OrderedDict()
        self._lock = Lock()

    def of(self, key: Hashable, made_of: tuple[object, ...], make: Callable[[], V]) -> V:
        """The value of a key, made anew unless it was made of the same.

        Parameters
        ----------
        made_of : Everything that the value depends on and that is not in the key: immutable, the same or equal.
        """
        with self._lock:
            held = self._held.get(key)
            if held is not None:
                self._held.move_to_end(key)
        if held is not None and held[0] == made_of:
            return held[1]
        made = make()
        with self._lock:
            self._drop(key)
            self._held[key] = (made_of, made)
            self._total += self._size(made)
            while self._total > self._keep:
                self._drop(next(iter(self._held)))
        return made

    def _drop(self, key: Hashable) -> None:
        old = self._held.pop(key, None)
        if old is not None:
            self._total -= self._size(old[1])
