"""Stored documents as models, each parsed once: pages ask for the same ones again and again.

What is kept is a frozen model beside the very text that it was made from, so that nothing stale can come out of it,
whatever database the text is read from. Memory: the latest text of each key alone, and only so many keys.
"""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Generic, TypeVar

from pydantic import BaseModel

M = TypeVar("M", bound=BaseModel)


class Parsed(Generic[M]):
    """The latest document of each key with its model."""

    def __init__(self, model: type[M], keep: int) -> None:
        self._model, self._keep = model, keep
        self._held: OrderedDict[str, tuple[str, M]] = OrderedDict()
        self._lock = Lock()

    def of(self, key: str, document: str) -> M:
        """The model of a document.

        Raises
        ------
        ValidationError : it does not fit.
        """
        with self._lock:
            held = self._held.get(key)
        if held is not None and held[0] == document:
            return held[1]
        made = self._model.model_validate_json(document)
        self.keep(key, document, made)
        return made

    def keep(self, key: str, document: str, made: M) -> None:
        """Note the model that a document was written from, so that it need not be read back."""
        with self._lock:
            self._held[key] = (document, made)
            self._held.move_to_end(key)
            while len(self._held) > self._keep:
                self._held.popitem(last=False)
