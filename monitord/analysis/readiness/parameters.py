"""Every limit of the verdict on readiness that is not a rule of some criteria, each with its unit and its source.

The rules themselves are data: `monitord/model/readiness/criteria`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReadinessParameters:
    """Values of `analysis/readiness`; used as `READINESS.name`."""

    silent_after_h: float = 6.0
    """Without a usable hour for longer a position or room is not known (our choice: the pace of the verdicts). [h]"""
    min_mean_share: float = 0.5
    """Share of a mean's hours that must be known (our choice). [-]"""
    look_again_h: float = 6.0
    """A sleeve whose fitted approach is not over may be settled at the next verdict (our choice: their pace). [h]"""
    min_sealed_u_pct: float = 0.58
    """A sealed position is known no better than to this standard uncertainty, ± 1 % RH as a limit, however well its
    probe was checked (our choice: what leaking seals add in simulated slabs, see READINESS.md). [% RH]"""
    bridged_gap_h: int = 3
    """So many missing hours in a row do not break the time in service conditions (our choice). [h]"""


READINESS = ReadinessParameters()
