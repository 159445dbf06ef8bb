"""What a surface is made of, for the mould model: classes of sensitivity, wood, speed of decline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitord.physics.numeric import Array, in_range


@dataclass(frozen=True)
class Sensitivity:
    """A class of materials. k1: growth against pine below and from index 1. A, B, C: highest index. [no unit]

    Ojanen, Viitanen, Peuhkuri et al. 2010.
    """

    name: str
    k1_below: float
    k1_from_1: float
    a: float
    b: float
    c: float
    lowest_rh_pct: float
    """Humidity below which nothing grows at any temperature. [%]"""


VERY_SENSITIVE = Sensitivity("very_sensitive", 1.0, 2.0, 1.0, 7.0, 2.0, 80.0)
SENSITIVE = Sensitivity("sensitive", 0.578, 0.386, 0.3, 6.0, 1.0, 80.0)
MEDIUM_RESISTANT = Sensitivity("medium_resistant", 0.072, 0.097, 0.0, 5.0, 1.5, 85.0)
RESISTANT = Sensitivity("resistant", 0.033, 0.014, 0.0, 3.0, 1.0, 85.0)

SENSITIVITIES: dict[str, Sensitivity] = {s.name: s for s in (VERY_SENSITIVE, SENSITIVE, MEDIUM_RESISTANT, RESISTANT)}
"""Classes by name. Examples, from memory of the paper: untreated pine; planed spruce, paper-faced boards; concrete,
glass wool; surfaces of plastic foam."""


@dataclass(frozen=True)
class MouldMaterial:
    """What a surface is made of, for the model."""

    sensitivity: Sensitivity = VERY_SENSITIVE
    decline: float = 1.0
    """Speed of decline against pine, Cmat: 1.0, 0.5, 0.25 or 0.1 (Ojanen et al. 2010; check before use). [no unit]"""
    kind_of_wood: float = 0.0
    """W: 0 pine, 1 spruce; see the top of this module. [no unit]"""
    surface_quality: float = 0.0
    """SQ: 0 sawn, 1 kiln-dried surface. [no unit]"""


Materials = MouldMaterial | Sequence[MouldMaterial]

VERY_SENSITIVE_SAWN_PINE = MouldMaterial()
"""The most careful choice, and the wood of the model's own tests."""


@dataclass(frozen=True)
class Parameters:
    """The numbers of the materials as (n,) arrays."""

    k1_below: Array
    k1_from_1: Array
    a: Array
    b: Array
    c: Array
    lowest_rh: Array
    decline: Array
    constant: Array
    """0.14 W - 0.33 SQ + 66.02. [no unit]"""

    @staticmethod
    def of(materials: Materials) -> Parameters:
        """Gather them from one material, or one for each surface. [no unit]

        Raises
        ------
        PhysicsRangeError : a decline outside its range 0..2, wood or surface outside 0..1.

        Source
        ------
        None: arrangement only.
        """
        each = [materials] if isinstance(materials, MouldMaterial) else list(materials)
        for m in each:
            in_range("decline", m.decline, 0.0, 2.0, "")
            in_range("kind_of_wood", m.kind_of_wood, 0.0, 1.0, "")
            in_range("surface_quality", m.surface_quality, 0.0, 1.0, "")
        kinds = [m.sensitivity for m in each]
        return Parameters(
            np.array([s.k1_below for s in kinds]),
            np.array([s.k1_from_1 for s in kinds]),
            np.array([s.a for s in kinds]),
            np.array([s.b for s in kinds]),
            np.array([s.c for s in kinds]),
            np.array([s.lowest_rh_pct for s in kinds]),
            np.array([m.decline for m in each]),
            np.array([0.14 * m.kind_of_wood - 0.33 * m.surface_quality + 66.02 for m in each]),
        )
