"""A sleeve's ensemble as bytes: after a restart the march goes on from there instead of from the first day.

Kept are the members' scores and weights, so the size does not grow with the days. The humidity of their concrete is
marched anew, once: the same steps on the same numbers give the same bits. A digest of all that the ensemble is a
function of (this program's code and parameters, its libraries, slab, goal and the days so far) says whether it fits;
one that does not is as good as none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

import numpy as np
import scipy

from monitord.analysis.slabs.posterior.ensemble import Ensemble, Slab, marched
from monitord.analysis.slabs.posterior.members import members_of
from monitord.analysis.slabs.posterior.sampler import Evaluated, Population
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.analysis.slabs.posterior.verdict import Held, SleeveGoal
from monitord.model.assessments import SleeveCheckpoint

_ROOM = Path(__file__).parent
_NONE = -1
"""In place of a number that is not there."""


class Resumed(NamedTuple):
    """What a checkpoint gives back."""

    ensemble: Ensemble
    before: Held
    """What was held before the ensemble's last day was judged."""


def checkpoint(slab: Slab, days: SleeveDays, goal: SleeveGoal, ensemble: Ensemble, before: Held) -> SleeveCheckpoint:
    """Bytes of an ensemble after its last day."""
    population, count = ensemble.population, ensemble.count
    counts = [count, ensemble.base, *(_NONE if n is None else n for n in (ensemble.event, population.moving))]
    held = [before.at_goal, np.nan if before.at_goal_since_s is None else before.at_goal_since_s, before.stalled]
    out = BytesIO()
    np.savez_compressed(
        out,
        scores=population.scores,
        fed=population.fed,
        weights=np.stack([population.log_weight, population.told.before, population.told.now]),
        counts=np.array(counts, dtype=np.int64),
        skipped=np.array(ensemble.skipped, dtype=np.int64),
        scale=np.array(population.scale),
        held=np.array(held, dtype=np.float64),
    )
    return SleeveCheckpoint(float(days.end_s[count - 1]), _digest(slab, days, goal, count), out.getvalue())


def resume(slab: Slab, days: SleeveDays, goal: SleeveGoal, stored: Sequence[SleeveCheckpoint]) -> Resumed | None:
    """The newest ensemble that fits the days, as if it had been marched through them; None: none fits."""
    for one in sorted(stored, reverse=True):
        count = int(np.searchsorted(days.end_s, one.end_s)) + 1
        if count <= len(days) and one.digest == _digest(slab, days, goal, count):
            return _resumed(slab, days, one.content)
    return None


def _resumed(slab: Slab, days: SleeveDays, content: bytes) -> Resumed:
    with np.load(BytesIO(content), allow_pickle=False) as kept:
        scores, fed, weights = kept["scores"], kept["fed"], kept["weights"]
        count, base, event, moving = (None if n == _NONE else int(n) for n in kept["counts"])
        skipped, scale = tuple(int(day) for day in kept["skipped"]), float(kept["scale"])
        at_goal, since_s, stalled = (float(x) for x in kept["held"])
    assert count is not None
    assert base is not None
    log_weight, before, now = weights
    concrete = marched(slab, days, members_of(scores, fed), count, event)
    population = Population(scores, fed, log_weight, Evaluated(before, now, concrete), scale, moving)
    held = Held(bool(at_goal), None if np.isnan(since_s) else since_s, bool(stalled))
    return Resumed(Ensemble(count, base, population, skipped, event), held)


def _digest(slab: Slab, days: SleeveDays, goal: SleeveGoal, count: int) -> str:
    rows = days.rows[:count]
    rows = np.where(np.isnan(rows), np.nan, rows + 0.0)  # one pattern of bits for what is not known, and for nought
    about = (slab.location, slab.p_fed, slab.grid.thickness_m, slab.grid.sleeve_m, goal, count)
    return hashlib.sha256(_program() + repr(about).encode() + rows.tobytes()).hexdigest()


@lru_cache(maxsize=1)
def _program() -> bytes:
    """Digest of this room's code, its parameters with it, and of the libraries whose rounding it takes over."""
    found = hashlib.sha256("\0".join((np.__version__, scipy.__version__)).encode())
    for path in sorted(_ROOM.rglob("*.py")):
        found.update(path.name.encode() + b"\0" + path.read_bytes())
    return found.digest()
