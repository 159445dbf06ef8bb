"""Water that comes to a slab while it dries: told by days that rise against the members' own prediction.

Two such days in a row are a dated event. From then on each member holds water of its own about the sleeve, and may be
fed from its far side; the days about it do not count. One such day by itself is left out.
"""

from __future__ import annotations

import numpy as np

from monitord.analysis.slabs.posterior.forward_model import Grid
from monitord.analysis.slabs.posterior.likelihood import error_model, residuals
from monitord.analysis.slabs.posterior.members import Members
from monitord.analysis.slabs.posterior.parameters import POSTERIOR
from monitord.analysis.slabs.posterior.sleeve_days import SleeveDays
from monitord.model.series import Array


def rises(days: SleeveDays, skipped: tuple[int, ...], concrete: Array, tau_h: Array, weights: Array) -> bool:
    """Whether the last of the days in `concrete` (n, days) lies over what the members tell from those before it."""
    day = concrete.shape[1] - 1
    if days.since_sealed_h[day] < POSTERIOR.water_after_h:
        return False
    errors = error_model(days, day + 1, skipped)
    since = POSTERIOR.water_gap_d + 1
    if len(errors.days) < since + POSTERIOR.water_before_d or errors.days[-1] != day:
        return False
    off = weights @ residuals(days, errors, concrete, tau_h)
    before = slice(-since - POSTERIOR.water_before_d, -since)
    swing = abs(float(errors.warmth_k[-1] - errors.warmth_k[before].mean()))
    return float(off[-1] - off[before].mean()) > POSTERIOR.water_rise_pct + POSTERIOR.water_rise_pct_k * swing


def wetted(members: Members, grid: Grid, humidity: Array) -> Array:
    """Pore humidity (n, cells) once each member's water has come: a bell about the sleeve, at most saturated."""
    away = (grid.depth_m - grid.sleeve_m)[None, :] / (members.water_spread * grid.thickness_m)[:, None]
    return np.minimum(humidity + members.water[:, None] * np.exp(-0.5 * away**2), 1.0)


def fed_since(members: Members) -> Members:
    """The members from the event on: each may be fed by a supply of its own."""
    comes = members.feed_comes > POSTERIOR.feed_threshold
    supply = np.where(comes, members.new_supply_kg_m2_s, members.supply_kg_m2_s)
    begins = np.where(comes, -1.0, members.supply_begins)
    return members._replace(fed=members.fed | comes, supply_kg_m2_s=supply, supply_begins=begins)
