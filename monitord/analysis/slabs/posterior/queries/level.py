"""Where does the sleeve stand, and how fast does it fall?"""

from __future__ import annotations

from dataclasses import dataclass

from monitord.analysis.slabs.posterior.outlook import Outlook
from monitord.analysis.slabs.posterior.parameters import POSTERIOR


@dataclass(frozen=True)
class Level:
    """Humidity and its change, means with standard uncertainties."""

    now_pct: float
    """At the present temperature, without the probe's bias. [% RH]"""
    u_now_pct: float
    rate_pct_day: float
    """Change in the week to come under the present air; negative is drying. [% RH/d]"""
    u_rate_pct_day: float
    end_pct: float
    """Median of where it would end in this air. [% RH]"""


def level(futures: Outlook) -> Level:
    """Level and rate of a sleeve."""
    now, rate = futures.now_pct, (futures.week_pct - futures.now_pct) / POSTERIOR.week_d
    middle = sorted(futures.end_pct.tolist())[len(now) // 2]
    return Level(float(now.mean()), float(now.std()), float(rate.mean()), float(rate.std()), middle)
