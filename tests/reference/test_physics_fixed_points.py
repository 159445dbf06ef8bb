"""Salt solutions against Greenspan 1977 and the CRC Handbook."""

import pytest

from monitord.physics.fixed_points import SALTS, salt_humidity, u_salt_humidity

SALT_ORDER = ("LiCl", "MgCl2", "NaCl", "KCl", "K2SO4")

# °C; RH [%] over LiCl, MgCl2, NaCl, KCl, K2SO4; Greenspan 1977 (J. Res. NBS 81A:89)
GREENSPAN = [
    (5, 11.27, 33.60, 75.65, 87.67, 98.48),
    (10, 11.29, 33.48, 75.68, 86.78, 98.19),
    (15, 11.31, 33.30, 75.61, 85.92, 97.89),
    (20, 11.31, 33.07, 75.48, 85.11, 97.60),
    (25, 11.30, 32.79, 75.30, 84.35, 97.30),
    (30, 11.29, 32.45, 75.09, 83.63, 97.01),
]
# CRC Handbook at 25 °C, A·exp(B/T), which states ±2 % of the value
CRC_25_C = dict(zip(SALT_ORDER, (11.30, 32.79, 75.25, 84.17, 97.23), strict=True))


@pytest.mark.parametrize("row", GREENSPAN, ids=lambda r: f"{r[0]}C")
def test_salt_humidity(row):
    """Half of the last printed digit."""
    t, *values = row
    assert set(SALTS) == set(SALT_ORDER)
    for salt, value in zip(SALT_ORDER, values, strict=True):
        assert salt_humidity(salt, float(t)) == pytest.approx(value, abs=0.0051)


@pytest.mark.parametrize("salt", SALT_ORDER)
def test_salts_agree_with_the_crc_handbook(salt):
    """0.25 %RH: the two compilations differ by at most 0.18; the CRC itself states ±2 %."""
    assert salt_humidity(salt, 25.0) == pytest.approx(CRC_25_C[salt], abs=0.25)


def test_lithium_chloride_has_the_plus_sign():
    """A minus in its second term would give 10.89 at 25 °C."""
    assert salt_humidity("LiCl", 25.0) > 11.2


@pytest.mark.parametrize(
    ("salt", "u"), [("LiCl", 0.27), ("MgCl2", 0.16), ("NaCl", 0.12), ("KCl", 0.26), ("K2SO4", 0.45)]
)
def test_uncertainty_at_25_degrees(salt, u):
    """Greenspan 1977, as printed."""
    assert u_salt_humidity(salt) == u
