"""Constants that several equations share, each with its unit and source."""

from __future__ import annotations

ZERO_CELSIUS_K = 273.15
"""0 °C on the thermodynamic scale. [K] Exact (BIPM SI Brochure, 9th edition, 2.3.1)."""

TRIPLE_POINT_C = 0.01
"""Triple point of water, where ice, liquid and vapour meet. [°C] Used as exact; the ITS-90 fixed point."""

STANDARD_PRESSURE_PA = 101_325.0
"""Standard atmospheric pressure at sea level. [Pa] ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 3."""

MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air. [kg/kg] ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 20."""

R_DRY_AIR = 287.042
"""Specific gas constant of dry air. [J/(kg·K)] ASHRAE Handbook—Fundamentals 2017, ch. 1 eq. 1."""

R_VAPOUR = 461.5
"""Specific gas constant of water vapour. [J/(kg·K)]

IAPWS gives 461.518, ASHRAE's molar masses 461.524; the rounded value is 0.005 % off either.
"""

MAX_RELATIVE_HUMIDITY_PCT = 105.0
"""Highest relative humidity that is computed at all. [%]

Real probes read a little over 100 % in saturated air; such readings are computed as they are. Where a
reading stops being a uncertain measurement and becomes a fault is our choice: common practice, not a standard.
"""
