"""What a process that takes in readings asks of the Python runtime."""

from __future__ import annotations

import gc

_OBJECTS = 20_000
_ROUNDS = 20


def calm_garbage_collection() -> None:
    """Have Python look for cyclic garbage less often; for the main process, once, when everything is loaded.

    A batch makes tens of thousands of objects that live until its commit, none of them in a cycle. By default Python
    goes through the young ones after every 700, and so through each batch dozens of times: the commit of a backlog
    in packs of ten took 38 to 60 us of processor time a reading, and 28 to 33 with this. Cycles are still
    found, somewhat later; what is loaded at the start is not looked through again.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_OBJECTS, _ROUNDS, _ROUNDS)
