"""What is asked of the Python runtime; in a process of its own, since it holds for a whole process."""

from __future__ import annotations

import subprocess
import sys

PROGRAM = """
import gc, weakref
from monitord.ingest.gc_tuning import calm_garbage_collection

class Node:
    pass

calm_garbage_collection()
loop = Node()
loop.itself = loop
gone = weakref.ref(loop)
del loop
passes = gc.get_stats()[0]["collections"]
kept = [[] for _ in range(5_000)]
early = gc.get_stats()[0]["collections"] - passes
kept += [[] for _ in range(100_000)]
print(early, gone() is None)
"""


def test_a_batch_is_not_gone_through_and_cycles_are_still_found() -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["0", "True"]
