"""The priors as the literature and our choices give them, in numbers of the test's own."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from monitord.analysis.slabs.posterior.members import SCORES, members_of
from monitord.analysis.slabs.posterior.parameters import SlabPriors

LOW_MIDDLE_HIGH = {
    "diffusivity_m2_s": (8e-10 * np.exp(-1.1), 8e-10, 8e-10 * np.exp(1.1)),
    "min_share": (0.02 * 50.0**0.158655, 0.141421, 0.02 * 50.0**0.841345),
    "bend": (0.70 + 0.2 * 0.158655, 0.80, 0.70 + 0.2 * 0.841345),
    "steepness": (5.0 + 15.0 * 0.158655, 12.5, 5.0 + 15.0 * 0.841345),
    "capacity": (0.5053, 1.5492, 4.7498),
    "core_humidity": (0.88142, 0.9275, 0.97358),
    "face_deficit": (0.0043014, 0.022361, 0.11624),
    "profile_power": (1.4833, 3.4641, 8.0902),
    "transfer_kg_m2_s_pa": (1.8e-8 * np.exp(-0.6), 1.8e-8, 1.8e-8 * np.exp(0.6)),
    "face_lean": (0.158655, 0.5, 0.841345),
    "supply_kg_m2_s": (8.9767e-7, 3.1623e-6, 1.1140e-5),
    "supply_begins": (-1.5 + 2.5 * 0.158655, -0.25, -1.5 + 2.5 * 0.841345),
    "activation_k": (2000.0, 2700.0, 3400.0),
    "room_bias_share": (-1.0, 0.0, 1.0),
    "air_tau_h": (4.5246, 10.954, 26.522),
    "unmeasured_air": (0.37139, 0.525, 0.67861),
    "water": (0.017157, 0.054772, 0.17486),
    "water_spread": (0.14410, 0.31623, 0.69396),
    "feed_comes": (0.158655, 0.5, 0.841345),
    "new_supply_kg_m2_s": (8.9767e-7, 3.1623e-6, 1.1140e-5),
}
"""Quantities at scores of -1, 0 and 1: 15.87, 50 and 84.13 % of the prior."""


def test_every_quantity_has_its_prior() -> None:
    assert [field.name for field in fields(SlabPriors)] == list(LOW_MIDDLE_HIGH)


@pytest.mark.parametrize("name", LOW_MIDDLE_HIGH)
def test_a_quantity_follows_its_prior(name: str) -> None:
    scores = np.repeat([[-1.0], [0.0], [1.0]], SCORES, axis=1)
    found = getattr(members_of(scores, np.zeros(3, dtype=bool)), name)
    assert found == pytest.approx(LOW_MIDDLE_HIGH[name], rel=1e-3, abs=1e-12)
