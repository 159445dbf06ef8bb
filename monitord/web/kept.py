"""What a page makes of frozen things, kept until one of them is another: pages are asked for far more often than a
job is assessed."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

V = TypeVar("V")


class Kept(Generic[V]):
    """The latest value of each key, with what it was made of; only so many keys."""

    def __init__(self, keep: int) -> None:
        self._keep = keep
        self._held: OrderedDict[Hashable, tuple[tuple[object, ...], V]] = OrderedDict()
        self._lock = Lock()

    def of(self, key: Hashable, made_of: tuple[object, ...], make: Callable[[], V]) -> V:
        """The value of a key, made anew unless it was made of the very same objects.

        Parameters
        ----------
        made_of : Everything that the value depends on and that is not in the key: immutable, and compared by identity.
        """
        with self._lock:
            held = self._held.get(key)
        if held is not None and all(a is b for a, b in zip(held[0], made_of, strict=True)):
            return held[1]
        made = make()
        with self._lock:
            self._held[key] = (made_of, made)
            self._held.move_to_end(key)
            while len(self._held) > self._keep:
                self._held.popitem(last=False)
        return made
