"""Has its drying stopped, and what holds it up?"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.present_air import PresentAir


class StallCause(StrEnum):
    """What holds a slab up."""

    FED_FROM_BELOW = "fed_from_below"
    """Water comes to its far side about as fast as it leaves by its face."""
    END_OVER_LIMIT = "end_over_limit"
    """In the present air it would end over its goal, or hardly under it."""
    AIR_WETTER = "air_wetter"
    """The air over it has become wetter than it was."""


@dataclass(frozen=True)
class SlabStall:
    """Whether a slab makes progress."""

    active: bool
    probability: float
    """That under a tenth of what remains goes in the week to come. [0..1]"""
    cause: StallCause | None
    """What would hold it up; None: nothing known."""
    end_pct: float
    """Median of where the futures that are over the goal end. [% RH]"""
    since_s: float | None = None
    """With wetter air: since when it is so. [s]"""


def stall(
    futures: Outlook, limit_pct: float, air: PresentAir, share_per_week: float, open_at: float, was_active: bool
) -> SlabStall:
    """Judge progress over the week to come, among the futures that are over the goal now."""
    over = futures.now_pct > limit_pct
    if over.mean() < POSTERIOR.stall_min_over_share:
        return SlabStall(False, 0.0, None, float("nan"))
    remaining = futures.now_pct - limit_pct
    flat = over & (futures.now_pct - futures.week_pct < share_per_week * remaining)
    probability = float(flat.sum() / over.sum())
    ends_over = (
        float((futures.end_pct[over] >= limit_pct - POSTERIOR.stall_end_margin_pct).mean())
        >= POSTERIOR.stall_end_probability
    )
    cause, since = None, None
    if ends_over and flat.any() and float(futures.fed[flat].mean()) >= POSTERIOR.fed_share:
        cause = StallCause.FED_FROM_BELOW
    elif air.wetter_pct >= POSTERIOR.wetter_air_pct:
        cause, since = StallCause.AIR_WETTER, air.wetter_since_s
    elif ends_over:
        cause = StallCause.END_OVER_LIMIT
    active = cause is not None and probability >= (POSTERIOR.stall_close_under if was_active else open_at)
    return SlabStall(active, probability, cause, float(np.median(futures.end_pct[over])), since)
