"""The simulated slab against Crank's series and published numbers."""

from __future__ import annotations

import numpy as np
import pytest

from simulators.building.materials import Concrete, concrete_sorption, diffusivity_share, diffusivity_temperature_factor
from simulators.building.slab import Slabs, SlabShape

L, D = 0.1, 1e-9


def dry(fo: float, cells: int = 160, steps: int = 800) -> Slabs:
    """A slab of constant diffusivity, full at the start, its face held dry, after a Fourier number."""
    slabs = Slabs([SlabShape(L, Concrete(D, constant=True))], cells)
    slabs.set_humidity(0, np.ones(cells))
    dt = fo * L * L / D / steps
    none, warm = np.zeros(1), np.ones((1, 1))
    for _ in range(steps):
        slabs.step(dt, none, none, warm, held_top=none)
    return slabs


def crank(fo: float, depth_share: float) -> float:
    """Local content left: Crank 1975 section 4.3, sum over 400 terms; depth from the exposed face."""
    n = np.arange(400)
    a = (2 * n + 1) * np.pi / 2
    return float(np.sum(2 * (-1.0) ** n / a * np.exp(-(a**2) * fo) * np.cos(a * (1 - depth_share))))


@pytest.mark.parametrize(
    ("fo", "left", "at_40", "sealed"),
    [  # reference table of Crank's series, section 4.3 (one face sealed, the other held)
        (0.05, 0.74769, 0.7941, 0.9969),
        (0.1, 0.64318, 0.6286, 0.9493),
        (0.2, 0.49591, 0.4616, 0.7723),
        (0.5, 0.23605, 0.2179, 0.3708),
        (1.0, 0.06874, 0.0635, 0.1080),
    ],
)
def test_drying_follows_cranks_series(fo: float, left: float, at_40: float, sealed: float) -> None:
    """160 cells and 800 first-order steps stay within 0.003 of the series."""
    slabs = dry(fo)
    full = 100.0  # kg/m³ at humidity 1
    picked = slabs.at_depth(np.array([0, 0]), np.array([0.4 * L, L]))(slabs.water) / full
    assert float(slabs.total()[0]) / (full * L) == pytest.approx(left, abs=0.003)
    assert picked[0] == pytest.approx(at_40, abs=0.003)
    assert picked[1] == pytest.approx(sealed, abs=0.003)
    assert crank(fo, 0.4) == pytest.approx(at_40, abs=1e-4)


def test_uptake_at_a_published_number() -> None:
    """Fo 0.25: 0.562233541762138 gone, 0.3145542331096479 at the sealed face (polykin's documentation)."""
    slabs = dry(0.25)
    assert 1 - float(slabs.total()[0]) / (100.0 * L) == pytest.approx(0.562233541762138, abs=0.001)
    assert 1 - slabs.water[0, -1] / 100.0 == pytest.approx(0.3145542331096479, abs=0.002)


def test_the_error_falls_with_finer_cells_and_steps() -> None:
    exact = 0.49591
    errors = [abs(float(dry(0.2, n, m).total()[0]) / (100.0 * L) - exact) for n, m in ((20, 50), (40, 200), (80, 800))]
    assert errors[0] > 1.8 * errors[1] > 3.0 * errors[2]


def test_half_of_the_water_is_gone_after_the_published_time() -> None:
    """100 mm, 1E-9 m²/s: 22.8 days (Fo 0.19673)."""
    slabs = dry(22.8 * 86_400 * D / L**2)
    assert float(slabs.total()[0]) / (100.0 * L) == pytest.approx(0.5, abs=0.003)


def test_diffusivity_falls_as_model_code_90_says() -> None:
    """Reference values of the CEB-FIP formula with alpha 0.05, hc 0.80, n 15, to four decimals."""
    h = np.array([0.6, 0.7, 0.75, 0.8, 0.85, 0.9])
    assert diffusivity_share(h) == pytest.approx([0.0500, 0.0522, 0.0823, 0.5250, 0.9875, 1.0000], abs=6e-5)


def test_diffusivity_rises_with_temperature_as_bazant_says() -> None:
    t = np.array([5.0, 10.0, 15.0, 20.0, 30.0])
    assert diffusivity_temperature_factor(t) == pytest.approx([0.521, 0.619, 0.730, 0.857, 1.161], abs=6e-4)


@pytest.mark.parametrize(
    ("w_c", "h", "content"),
    [  # Xi, Bazant and Jennings 1994, type I, 28 d, 25 °C; regression of the formula, g/g
        (0.5, 0.2, 0.0527),
        (0.5, 0.5, 0.0874),
        (0.5, 0.75, 0.1343),
        (0.5, 0.9, 0.1895),
        (0.5, 1.0, 0.2579),
        (0.4, 0.75, 0.1193),
        (0.6, 0.9, 0.2173),
    ],
)
def test_concrete_holds_the_water_of_the_published_isotherm(w_c: float, h: float, content: float) -> None:
    assert concrete_sorption(np.array([h]), w_c)[0] == pytest.approx(content, abs=6e-5)


def test_a_table_of_concrete_inverts_itself() -> None:
    """To a thousandth of humidity: 401 points, straight between them."""
    table = Concrete().table()
    h = np.linspace(0.2, 1.0, 33)
    assert table.humidity_of(table.content(h)) == pytest.approx(h, abs=1e-3)


def test_slabs_side_by_side_do_not_touch() -> None:
    """A slab dries the same alone as beside a wetter one."""
    shape = SlabShape(0.08, Concrete(5e-10))
    alone, pair = Slabs([shape]), Slabs([shape, SlabShape(0.05, Concrete(1e-9))])
    alone.set_humidity(0, np.array(0.9))
    pair.set_humidity(0, np.array(0.9))
    pair.set_humidity(1, np.array(1.0))
    for _ in range(200):
        alone.step(3600.0, np.array([1e-7]), np.zeros(1), np.ones((1, 1)))
        pair.step(3600.0, np.array([1e-7, 3e-7]), np.zeros(2), np.ones((2, 1)))
    assert pair.water[0] == pytest.approx(alone.water[0], rel=1e-12)


def test_a_slab_that_dries_from_both_faces_is_symmetric() -> None:
    slabs = Slabs([SlabShape(0.1, Concrete(5e-10), two_sided=True)])
    slabs.set_humidity(0, np.array(0.97))
    for _ in range(300):
        slabs.step(3600.0, np.array([2e-7]), np.array([2e-7]), np.ones((1, 1)))
    assert slabs.water[0] == pytest.approx(slabs.water[0, ::-1], rel=1e-9)
