"""The mould model against its published tables, and against a direct computation written here on its own."""

import math

import numpy as np
import pytest

from monitord.physics.mould.index import (
    MEDIUM_RESISTANT,
    RESISTANT,
    SENSITIVE,
    SENSITIVITIES,
    VERY_SENSITIVE,
    MouldMaterial,
    MouldState,
    critical_humidity,
    days_to_index,
    mould_growth_rate,
    mould_run,
    mould_step,
    weeks_to_first_growth,
)

PINE = MouldMaterial()

# Hukka and Viitanen 1999: critical humidity of the 80 % classes
CRITICAL = [(0, 100.00), (1, 97.03), (5, 88.02), (10, 82.03), (15, 80.04), (20, 80.04), (25, 80.0)]


@pytest.mark.parametrize(("t", "rh"), CRITICAL)
def test_critical_humidity(t, rh):
    """Half of the last printed digit."""
    assert critical_humidity(float(t)) == pytest.approx(rh, abs=0.0051)


# weeks until index 1 on pine (W = SQ = 0)
WEEKS = [
    (20, 80, 21.60),
    (20, 85, 9.30),  # the formula gives 9.299
    (20, 90, 4.20),
    (20, 97, 1.48),
    (20, 100, 0.97),
    (10, 90, 6.73),
    (10, 97, 2.38),
    (5, 90, 10.79),
]


@pytest.mark.parametrize(("t", "rh", "weeks"), WEEKS)
def test_weeks_to_first_growth_on_pine(t, rh, weeks):
    """Half of the last printed digit."""
    assert weeks_to_first_growth(float(t), float(rh))[0] == pytest.approx(weeks, abs=0.0051)


HIGHEST = [(85, 2.616), (90, 3.995), (95, 5.123), (97, 5.504), (100, 6.000)]


@pytest.mark.parametrize(("rh", "highest"), HIGHEST)
def test_highest_index_on_a_very_sensitive_surface_at_20_degrees(rh, highest):
    """Growth ends at the printed index, half of its last digit either way."""
    below, above = np.array([highest - 0.0006]), np.array([min(highest + 0.0006, 6.0)])
    assert mould_growth_rate(20.0, float(rh), below, PINE)[0] > 0.0
    assert mould_growth_rate(20.0, float(rh), above, PINE)[0] == pytest.approx(0.0, abs=1e-12)


# class, W, T, RH; index after 28, 84, 364 d; days to index 1 and to 3 ("never": not within 364 d)
CONSTANT = [
    (VERY_SENSITIVE, 0, 20, 97, 4.3575, 5.5039, 5.5039, 10.42, 20.83),
    (VERY_SENSITIVE, 0, 20, 90, 0.9516, 3.9187, 3.9950, 29.46, 59.54),
    (VERY_SENSITIVE, 0, 10, 95, 1.5184, 4.9984, 5.0104, 22.25, 44.54),
    (VERY_SENSITIVE, 0, 5, 90, 0.3663, 1.1453, 2.1040, 77.96, "never"),
    (SENSITIVE, 0, 20, 97, 1.3734, 3.4297, 4.6762, 18.00, 72.04),
    (SENSITIVE, 1, 20, 97, 1.2375, 3.0371, 4.6762, 20.71, 82.83),
    (SENSITIVE, 1, 20, 90, 0.4775, 1.2845, 3.0295, 58.75, 322.1),
    (MEDIUM_RESISTANT, 0, 20, 97, 0.1939, None, None, None, None),
    (MEDIUM_RESISTANT, 1, 20, 97, 0.1686, 0.5054, 2.4709, 166.5, "never"),
    (RESISTANT, 0, 20, 97, 0.0873, None, None, None, None),
    (MEDIUM_RESISTANT, 0, 25, 85, 0.0, 0.0, 0.0, "never", "never"),
    (RESISTANT, 0, 25, 85, 0.0, 0.0, 0.0, "never", "never"),
]


@pytest.mark.parametrize("row", CONSTANT, ids=lambda r: f"{r[0].name}-W{r[1]}-{r[2]}C-{r[3]}%")
def test_constant_climate(row):
    """Index 0.01, as stated with the table; days half of the last printed digit, or one step where that is less."""
    kind, wood, t, rh, d28, d84, d364, to_1, to_3 = row
    material = MouldMaterial(kind, kind_of_wood=wood)
    index = mould_run(np.full(364 * 24, float(t)), np.full(364 * 24, float(rh)), material).index
    for days, printed in ((28, d28), (84, d84), (364, d364)):
        if printed is not None:
            assert index[days * 24 - 1] == pytest.approx(printed, abs=0.01)
    for target, printed in ((1.0, to_1), (3.0, to_3)):
        reached = np.flatnonzero(index >= target)
        if printed == "never":
            assert len(reached) == 0
            assert days_to_index(target, float(t), float(rh), 0.0, material)[0] > 364.0
        elif printed is not None:
            assert (reached[0] + 1) / 24.0 == pytest.approx(printed, abs=0.05)
            # the exact integral, without steps of an hour
            exact = days_to_index(target, float(t), float(rh), 0.0, material)[0]
            assert exact == pytest.approx(printed, abs=0.06)


def test_decline_when_dry():
    """M = 3, 20 °C/60 %, Cmat 1: as printed, exactly."""
    index = mould_run(np.full(168, 20.0), np.full(168, 60.0), PINE, MouldState.start(1, 3.0)).index
    assert index[[5, 23, 47, 167]] == pytest.approx([2.992, 2.992, 2.976, 2.896], abs=1e-9)
    half = mould_run(np.full(168, 20.0), np.full(168, 60.0), MouldMaterial(decline=0.5), MouldState.start(1, 3.0)).index
    assert half[-1] == pytest.approx(3.0 - 0.5 * (3.0 - 2.896), abs=1e-9)


@pytest.mark.parametrize(("wet_h", "dry_h", "printed"), [(12, 12, 1.2766), (48, 120, 0.4824)], ids=["12h-12h", "2d-5d"])
def test_cycles_restart_the_dry_clock(wet_h, dry_h, printed):
    """Very sensitive, 28 d of 97 % and 60 % in turn at 20 °C; tolerance as above."""
    rh = np.tile(np.r_[np.full(wet_h, 97.0), np.full(dry_h, 60.0)], 28 * 24 // (wet_h + dry_h))
    assert mould_run(np.full(len(rh), 20.0), rh, PINE).index[-1] == pytest.approx(printed, abs=0.001)


# k1 below and from index 1; A, B, C; lowest critical humidity: typed from the published table a second time
DIRECT_CLASSES = {
    "very_sensitive": (1.0, 2.0, 1.0, 7.0, 2.0, 80.0),
    "sensitive": (0.578, 0.386, 0.3, 6.0, 1.0, 80.0),
    "medium_resistant": (0.072, 0.097, 0.0, 5.0, 1.5, 85.0),
    "resistant": (0.033, 0.014, 0.0, 3.0, 1.0, 85.0),
}


class DirectMould:
    """The equations as Hukka and Viitanen 1999 and Ojanen et al. 2010 print them, one surface, one hour at a time."""

    def __init__(self, kind, wood, decline):
        self.numbers, self.wood, self.decline = DIRECT_CLASSES[kind], wood, decline
        self.m, self.dry, self.unknown = 0.0, 0, 0

    def hour(self, t, rh):
        k1_low, k1_high, a, b, c, lowest = self.numbers
        if math.isnan(t) or math.isnan(rh):
            self.unknown += 1
            return
        rh = min(rh, 100.0)
        critical = lowest
        if t <= 20.0:
            critical = max(-0.00267 * t**3 + 0.160 * t**2 - 3.13 * t + 100.0, lowest)
        if rh >= critical and 0.0 < t < 50.0:
            x = (critical - rh) / (critical - 100.0)
            k2 = max(1.0 - math.exp(2.3 * (self.m - (a + b * x - c * x * x))), 0.0)
            k1 = k1_low if self.m < 1.0 else k1_high
            weeks = math.exp(-0.68 * math.log(t) - 13.9 * math.log(rh) + 0.14 * self.wood + 66.02)
            self.m += k1 * k2 / (7.0 * weeks) / 24.0
            self.dry = 0
            return
        rate = 0.032 if self.dry < 6 else (0.0 if self.dry < 24 else 0.016)
        self.m = max(self.m - self.decline * rate / 24.0, 0.0)
        self.dry += 1


def test_a_changing_climate_with_gaps_follows_the_direct_computation():
    """Seeded climates around the limits, one in twenty hours missing, all classes: equal to rounding."""
    rng = np.random.default_rng(3)
    hours, materials = 1500, []
    for i in range(8):
        kind = list(SENSITIVITIES.values())[i % 4]
        materials.append(MouldMaterial(kind, decline=[1.0, 0.5, 0.25, 0.1][i // 2], kind_of_wood=i % 2))
    spells = np.repeat(rng.normal(88.0, 12.0, (hours // 30, 8)), 30, axis=0)
    rh = np.clip(spells + rng.normal(0.0, 3.0, (hours, 8)), 20.0, 112.0)
    t = np.clip(rng.normal(14.0, 9.0, (hours, 8)), -15.0, 55.0)
    t[rng.random((hours, 8)) < 0.03] = np.nan
    rh[rng.random((hours, 8)) < 0.03] = np.nan
    run = mould_run(t, rh, materials)
    for j, material in enumerate(materials):
        direct = DirectMould(material.sensitivity.name, material.kind_of_wood, material.decline)
        expected = []
        for i in range(hours):
            direct.hour(t[i, j], rh[i, j])
            expected.append(direct.m)
        assert run.index[:, j] == pytest.approx(expected, abs=1e-9)
        assert run.state.dry_hours[j] == direct.dry
        assert run.state.unknown_hours[j] == direct.unknown
    assert run.index.max() > 1.0  # the climates do grow mould


def test_steps_and_runs_are_the_same_thing():
    """An hour at a time, or in two parts, or at once: the same state, to rounding."""
    rng = np.random.default_rng(5)
    t, rh = rng.uniform(-2.0, 30.0, (300, 3)), rng.uniform(60.0, 105.0, (300, 3))
    t[100:110, 1] = np.nan
    materials = [PINE, MouldMaterial(SENSITIVE), MouldMaterial(RESISTANT, decline=0.1)]
    whole = mould_run(t, rh, materials).state
    first = mould_run(t[:117], rh[:117], materials)
    parts = mould_run(t[117:], rh[117:], materials, first.state).state
    single = MouldState.start(3)
    for i in range(300):
        single = mould_step(single, t[i], rh[i], materials)
    for other in (parts, single):
        assert other.index == pytest.approx(whole.index, abs=1e-12)
        assert np.array_equal(other.dry_hours, whole.dry_hours)
        assert np.array_equal(other.unknown_hours, whole.unknown_hours)
