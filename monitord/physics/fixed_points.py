"""Relative humidity over saturated salt solutions, with which probes are checked."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.physics.numeric import N, choice, in_range


@dataclass(frozen=True)
class SaltSolution:
    """A saturated solution: polynomial of RH [%] in temperature [°C], lowest order first, and u(RH) at 25 °C [%]."""

    name: str
    coefficients: tuple[float, ...]
    u_at_25_pct: float


RANGE_C = (0.0, 50.0)
"""Temperatures for which the fixed points are given. [°C]"""

SALTS: dict[str, SaltSolution] = {
    "LiCl": SaltSolution("lithium chloride", (11.2323, 0.00824245, -2.1489e-4), 0.27),
    "MgCl2": SaltSolution("magnesium chloride", (33.6686, -0.00797397, -1.08988e-3), 0.16),
    "NaCl": SaltSolution("sodium chloride", (75.5164, 0.0398321, -2.65459e-3, 2.848e-5), 0.12),
    "KCl": SaltSolution("potassium chloride", (88.619, -0.19334, 8.99706e-4), 0.26),
    "K2SO4": SaltSolution("potassium sulphate", (98.7792, -0.0590502), 0.45),
}
"""Salts by formula. Greenspan 1977 (J. Res. NBS 81A:89); the uncertainties stand there for 25 °C."""


def salt_humidity(salt: str, temperature_c: N) -> N:
    """Relative humidity of air in equilibrium with a saturated salt solution.

    Parameters
    ----------
    salt : Formula of the salt. [word] Range "LiCl", "MgCl2", "NaCl", "KCl", "K2SO4".
    temperature_c : Temperature of solution and air. [°C] Range 0..50.

    Returns
    -------
    Relative humidity. [%]

    Raises
    ------
    PhysicsRangeError : an unknown salt, a temperature outside the range, or a lone NaN.

    Source
    ------
    Greenspan 1977 (J. Res. NBS 81A:89), as used by ASTM E104 and OIML R 121. The fits reach beyond 50 °C for most
    salts; the range is narrowed to where probes are checked.
    """
    coefficients = SALTS[choice("salt", salt, tuple(SALTS))].coefficients
    celsius = in_range("temperature_c", temperature_c, *RANGE_C, "°C")
    total: N = 0.0 * celsius
    for coefficient in reversed(coefficients):
        total = total * celsius + coefficient
    return total


def u_salt_humidity(salt: str) -> float:
    """Standard uncertainty of `salt_humidity` near room temperature.

    Parameters
    ----------
    salt : Formula of the salt. [word] Range the keys of `SALTS`.

    Returns
    -------
    Standard uncertainty at 25 °C, of the fit alone. [% RH]

    Raises
    ------
    PhysicsRangeError : an unknown salt.

    Source
    ------
    Greenspan 1977, value at 25 °C; check against the certificate of the salts in use. A box on site that is not
    quite even in temperature adds more: 0.1 K is 0.5 %RH at 75 %RH.
    """
    return SALTS[choice("salt", salt, tuple(SALTS))].u_at_25_pct
