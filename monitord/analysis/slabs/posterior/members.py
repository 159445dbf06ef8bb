"""Members of an ensemble: what each takes a slab and its sleeve to be."""

from __future__ import annotations

from dataclasses import fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitord.analysis.slabs.posterior.parameters import POSTERIOR, SLAB_PRIORS, SlabPriors
from monitord.analysis.slabs.posterior.priors import prior_value
from monitord.model.series import Array, Flags

SCORES = len(fields(SlabPriors))
"""Standard normal scores of a member, one for each prior."""


class Members(NamedTuple):
    """Members of an ensemble in their own units, each (n,); what each is stands in `SlabPriors`."""

    diffusivity_m2_s: Array
    min_share: Array
    bend: Array
    steepness: Array
    capacity: Array
    core_humidity: Array
    face_deficit: Array
    profile_power: Array
    transfer_kg_m2_s_pa: Array
    face_lean: Array
    supply_kg_m2_s: Array
    supply_begins: Array
    activation_k: Array
    room_bias_share: Array
    air_tau_h: Array
    unmeasured_air: Array
    water: Array
    water_spread: Array
    feed_comes: Array
    new_supply_kg_m2_s: Array
    fed: Flags
    """Whether the far side is fed."""

    def pick(self, which: NDArray[np.intp]) -> Members:
        """Some of the members, by index."""
        return Members._make([column[which] for column in self])

    def on(self, day: int) -> Members:
        """The members with the far sides that are fed on a day, counted from the first."""
        begun = self.supply_begins * POSTERIOR.supply_horizon_d <= day
        return self if begun.all() else self._replace(fed=self.fed & begun)


def members_of(scores: Array, fed: Flags) -> Members:
    """Members at scores (n, SCORES) with their far sides (n,)."""
    columns = {
        field.name: prior_value(getattr(SLAB_PRIORS, field.name), scores[:, k])
        for k, field in enumerate(fields(SlabPriors))
    }
    return Members(**columns, fed=fed)
