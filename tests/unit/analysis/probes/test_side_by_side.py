"""Probes left together, and probes over a saturated salt: who is out of its accuracy, and what is proposed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitord.analysis.probes.salt_check import SaltCheck, salt_check
from monitord.analysis.probes.side_by_side import (
    Agreement,
    SideBySide,
    Together,
    proposed_calibrations,
    side_by_side,
)
from monitord.errors import PhysicsRangeError
from monitord.model.jobs import Accuracy, Calibration
from monitord.model.series import Array, Series
from monitord.report.probe_checks import salt_words, side_by_side_words

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
END = START + timedelta(hours=4)
ACCURACY = Accuracy(temperature_c=0.3, relative_humidity_pct=2.0)


def series(t: Array, rh: Array, step_s: float = 600.0, first_s: float = 0.0) -> Series:
    time_s = START.timestamp() + first_s + step_s * np.arange(len(t))
    nothing = np.full(len(t), np.nan)
    return Series(time_s, np.asarray(t, float), np.asarray(rh, float), nothing, nothing, time_s)


def probe(
    name: str, dt: float = 0.0, drh: float = 0.0, accuracy: Accuracy = ACCURACY, n: int = 24, **more: float
) -> Together:
    """A probe in slowly changing air of about 20 °C and 55 %, wrong by `dt` and `drh`."""
    hours = np.arange(n) / 6.0
    return Together(name, series(20.0 + 0.5 * hours + dt, 55.0 - hours + drh, **more), accuracy)


def check(*probes: Together) -> SideBySide:
    return side_by_side(probes, START, END)


def test_probes_within_their_accuracies_agree() -> None:
    found = check(probe("a", 0.2, 1.5), probe("b", -0.2, -1.5), probe("c"))
    assert found.outcome is Agreement.AGREE
    assert found.odd == ()
    assert proposed_calibrations(found, END) == ()
    assert side_by_side_words(found).startswith("Side by side: they agree in temperature")


@pytest.mark.parametrize(
    ("dt", "drh", "side"), [(0.0, 7.0, "too high"), (0.0, -7.0, "too low"), (1.5, 0.0, "too high")]
)
def test_the_odd_one_out_of_three_is_named_and_its_correction_proposed(dt: float, drh: float, side: str) -> None:
    found = check(probe("a"), probe("k7-12", dt, drh), probe("c"))
    assert found.outcome is Agreement.ODD_ONE_OUT
    assert found.odd == ("k7-12",)
    assert "k7-12 reads" in side_by_side_words(found)
    assert side in side_by_side_words(found)
    (proposal,) = proposed_calibrations(found, END, by="K. Lund")
    assert (proposal.probe, proposal.at, proposal.by) == ("k7-12", END, "K. Lund")
    assert proposal.temperature_correction_c == pytest.approx(-dt, abs=0.01)
    assert proposal.relative_humidity_correction_pct == pytest.approx(-drh, abs=0.01)


def test_two_that_disagree_leave_open_which_is_wrong() -> None:
    found = check(probe("a"), probe("b", drh=9.0))
    assert found.outcome is Agreement.DISAGREE
    assert found.odd == ()
    assert proposed_calibrations(found, END) == ()
    assert "no majority" in side_by_side_words(found)
    assert "9.0 % RH" in side_by_side_words(found)


def test_two_against_two_leave_open_which_are_wrong() -> None:
    found = check(probe("a"), probe("b"), probe("c", drh=9.0), probe("d", drh=9.0))
    assert found.outcome is Agreement.DISAGREE


def test_a_chain_of_three_of_which_only_neighbours_agree_names_nobody() -> None:
    found = check(probe("a", drh=-4.0), probe("b"), probe("c", drh=4.0))
    assert found.relative_humidity is not None
    assert found.relative_humidity.outcome is Agreement.DISAGREE


def test_accuracies_are_each_probes_own() -> None:
    coarse = Accuracy(temperature_c=0.3, relative_humidity_pct=5.0)
    assert check(probe("a"), probe("b", drh=6.5, accuracy=coarse)).outcome is Agreement.AGREE
    assert check(probe("a"), probe("b", drh=6.5)).outcome is Agreement.DISAGREE


def test_the_correction_carries_the_uncertainty_of_the_others() -> None:
    # two probes of ±2 % RH as reference: 2/sqrt(3)/sqrt(2) = 0.82 (JCGM 100:2008, 4.3.7); the box adds 0.1 K, 0.3 % RH
    found = check(probe("a"), probe("odd", drh=8.0), probe("c"))
    assert found.relative_humidity is not None
    odd = next(o for o in found.relative_humidity.offsets if o.probe == "odd")
    assert odd.correction is not None
    assert odd.correction.u == pytest.approx(np.hypot(2.0 / np.sqrt(6.0), 0.1 * 0.062 * 54), rel=0.02)


def test_probes_that_report_at_other_times_are_compared_on_the_same_air() -> None:
    # the air changes by 6 % RH an hour; half an hour apart would be 3 % RH
    hours = np.arange(24) / 6.0
    steep = [
        Together(name, series(np.full(24, 20.0), 70.0 - 6.0 * (hours + first / 3600.0), first_s=first), ACCURACY)
        for name, first in (("a", 0.0), ("b", 290.0))
    ]
    late = Together("late", series(np.full(14, 20.0), 70.0 - 6.0 * (hours[10:] + 0.08), first_s=6290.0), ACCURACY)
    assert check(*steep, late).outcome is Agreement.AGREE


def test_the_first_half_hour_is_settling() -> None:
    warm = probe("a")
    warm.series.temperature_c[:3] += 8.0
    warm.series.relative_humidity_pct[:3] -= 25.0
    assert check(warm, probe("b")).outcome is Agreement.AGREE


@pytest.mark.parametrize("probes", [(), ("a",), ("a", "short")])
def test_too_little_to_compare_is_not_known(probes: tuple[str, ...]) -> None:
    n = 6 + 3  # three of them are settling
    together = [probe(name, n=n - 1 if name == "short" else 24) for name in probes]
    found = check(*together)
    assert found.outcome is Agreement.UNKNOWN
    assert found.temperature is None
    assert proposed_calibrations(found, END) == ()


def test_a_probe_heard_too_little_is_named_and_left_out() -> None:
    found = check(probe("a"), probe("b"), probe("c", drh=9.0, n=4))
    assert found.outcome is Agreement.AGREE
    assert found.missing == ("c",)
    assert "too few readings to be judged: c" in side_by_side_words(found)


@settings(max_examples=60)
@given(st.lists(st.floats(-12, 12), min_size=2, max_size=6), st.randoms())
def test_the_order_of_the_probes_does_not_matter(offsets: list[float], random: object) -> None:
    together = [probe(f"p{i}", drh=offset) for i, offset in enumerate(offsets)]
    expected = check(*together)
    shuffled = together[:]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    found = check(*shuffled)
    assert (found.outcome, found.odd) == (expected.outcome, expected.odd)


@settings(max_examples=60)
@given(st.lists(st.floats(-2, 2), min_size=2, max_size=6), st.floats(-12, 12))
def test_probes_that_keep_their_promise_are_never_called_odd(errors: list[float], wrong: float) -> None:
    together = [probe(f"p{i}", drh=error) for i, error in enumerate(errors)]
    assert check(*together).outcome is Agreement.AGREE
    if len(errors) > 2:
        found = check(*together, probe("wrong", drh=wrong))
        assert set(found.odd) <= {"wrong"}


def salted(rh: float, celsius: float = 25.0, drift_pct_h: float = 0.0, n: int = 24, limit: float = 2.0) -> Together:
    hours = np.arange(n) / 6.0
    accuracy = Accuracy(relative_humidity_pct=limit)
    return Together("k7-12", series(np.full(n, celsius), rh + drift_pct_h * (hours - hours[-1])), accuracy)


def over(salt: str, one: Together) -> SaltCheck:
    return salt_check(one, salt, END)


@pytest.mark.parametrize(
    ("salt", "celsius", "humidity"),
    # Greenspan 1977, his table as rounded to 0.01 % RH
    [
        ("LiCl", 25.0, 11.30),
        ("MgCl2", 20.0, 33.07),
        ("NaCl", 25.0, 75.30),
        ("KCl", 15.0, 85.92),
        ("K2SO4", 30.0, 97.01),
    ],
)
def test_a_probe_is_held_against_the_published_fixed_point(salt: str, celsius: float, humidity: float) -> None:
    found = over(salt, salted(humidity, celsius))
    assert found.within is True
    assert found.expected is not None
    assert found.expected.value == pytest.approx(humidity, abs=0.006)
    assert found.correction is not None
    assert found.correction.value == pytest.approx(0.0, abs=0.006)
    record = found.proposed_calibration()
    assert record is not None  # that it was checked, and nothing to correct
    assert (record.relative_humidity_correction_pct, record.temperature_correction_c) == (0.0, 0.0)


def test_a_probe_out_of_its_accuracy_over_salt_gets_a_proposal() -> None:
    found = over("NaCl", salted(79.3))
    assert found.within is False
    assert "out of its accuracy" in salt_words(found)
    proposal = found.proposed_calibration(by="K. Lund")
    assert proposal is not None
    assert proposal.relative_humidity_correction_pct == pytest.approx(-4.0, abs=0.01)
    assert proposal.method == "saturated salt, sodium chloride"


def test_a_check_of_corrected_readings_keeps_and_adds_to_what_was_corrected() -> None:
    earlier = Calibration(probe="k7-12", at=START, temperature_correction_c=0.2, relative_humidity_correction_pct=1.5)
    for reading, correction in ((75.3, 1.5), (79.3, 1.5 - 4.0)):
        proposal = over("NaCl", salted(reading)).proposed_calibration(earlier=earlier)
        assert proposal is not None
        assert proposal.temperature_correction_c == 0.2
        assert proposal.relative_humidity_correction_pct == pytest.approx(correction, abs=0.01)
    found = check(probe("a"), probe("k7-12", drh=7.0), probe("c"))
    (odd,) = proposed_calibrations(found, END, earlier=[earlier])
    assert odd.temperature_correction_c == 0.2
    assert odd.relative_humidity_correction_pct == pytest.approx(1.5 - 7.0, abs=0.01)


def test_the_fixed_points_own_uncertainty_counts() -> None:
    # u at 25 °C: 0.12 (Greenspan) and 0.1 K at 75 % RH, 0.45: 2u = 0.93 beyond the probe's own 2.0
    assert over("NaCl", salted(75.3 + 2.9)).within is True
    assert over("NaCl", salted(75.3 + 3.0)).within is False


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (salted(75.3, drift_pct_h=0.5), "not settled"),
        (salted(75.3, n=13), "too few readings"),
        (salted(75.3, celsius=60.0), "0 to 50"),
    ],
)
def test_what_cannot_be_judged_over_salt_says_why(one: Together, why: str) -> None:
    found = over("NaCl", one)
    assert found.within is None
    assert found.proposed_calibration() is None
    assert why in salt_words(found)


def test_an_unknown_salt_is_refused() -> None:
    with pytest.raises(PhysicsRangeError):
        over("NaF", salted(75.3))
