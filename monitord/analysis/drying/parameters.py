"""Every limit and tuning value of a goal's metric and its progress, each with its unit and its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class DryingParameters:
    """Values of `analysis/drying`; used as `DRYING.name`."""

    max_timber_rh_pct: float = 98.0
    """More humid air is taken as this: near saturation equilibrium moisture runs away (our choice). [% RH]"""
    level_h: int = 72
    """Hours whose mean is the level of the control, or of the element's temperature: three whole days (our choice).
    [h]"""
    rate_days_sleeve: int = 8
    """Days that the rate of a sleeve rests on (our choice). [days]"""
    rate_days: int = 5
    """The same elsewhere (our choice). [days]"""
    smooth_h: int = 3
    """Hours over which temperature is smoothed before its effect is taken out (our choice). [h]"""
    goal_known_share: float = 0.6
    """Share of the goal's window that must be known to call it met (our choice). [-]"""
    met_lately_h: int = 720
    """A goal that was met within so many hours was met lately: 30 days, a month of one season's weather (our choice).
    [h]"""


DRYING = DryingParameters()
"""The values in use."""
