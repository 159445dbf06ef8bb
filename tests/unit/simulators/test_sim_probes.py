"""Simulated probes, their faults, and the way of their readings."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from simulators.probes import faults as ft
from simulators.probes.faults import Fault, Samples
from simulators.probes.gateway import Link, Outage, Readings, deliver
from simulators.probes.measuring import Probe, ProbedPlace, ProbePlacement, draw_probe, measure

DAY_S = 86_400.0
DAYS = 20
TIME = 600.0 * np.arange(DAYS * 144)
END = DAYS * DAY_S
SWING = np.sin(2 * np.pi * TIME / DAY_S)
FOLDER = ProbedPlace(TIME, 15.0 + 2.0 * SWING, 80.0 - 5.0 * SWING, 12.0 + SWING)
ROOM = ProbedPlace(TIME, 20.0 + SWING, 45.0 - 3.0 * SWING)
PLACEMENT = ProbePlacement("p", "wall", 0.0)
EXACT = Probe("p", 600.0, 0.3, 2.0, 1.0, noise_c=1e-6, noise_pct=1e-6, step_c=0.001, step_pct=0.001, lost_share=0.0)


def readings_of(probe: Probe = EXACT, *faults: Fault, placement: ProbePlacement = PLACEMENT) -> Samples:
    return measure(probe, placement, FOLDER, ROOM, faults, END, np.random.default_rng(5))


def fault(kind: str, amount: float = 0.0, start_day: float = 10.0, end_day: float = 99.0) -> Fault:
    return Fault(kind, "p", start_day * DAY_S, end_day * DAY_S, amount)


def test_an_exact_probe_tells_what_is_there() -> None:
    samples = readings_of()
    settled = samples.true_s > 7200.0
    true = np.interp(samples.true_s, TIME, FOLDER.humidity_pct)
    assert np.abs(samples.humidity_pct - true)[settled].max() < 0.02
    assert np.allclose(np.diff(samples.true_s), 600.0, atol=2.0)


def test_the_first_readings_come_from_the_installers_hands() -> None:
    samples = readings_of(Probe("p", 600.0, 0.3, 2.0, lag_s=900.0))
    assert samples.temperature_c[0] > 19.0
    assert samples.humidity_pct[0] < 70.0
    assert samples.humidity_pct[12] == pytest.approx(80.0, abs=5.5)


def test_a_slow_probe_lags() -> None:
    """A first-order lag of tau shifts a slow sine by tau and leaves its swing (tau small against the day)."""
    slow = readings_of(Probe("p", 600.0, 0.3, 2.0, lag_s=7200.0, noise_c=1e-6, step_c=0.001, lost_share=0.0))
    late = slow.true_s > DAY_S
    expected = 15.0 + 2.0 * np.sin(2 * np.pi * (slow.true_s - 7200.0) / DAY_S)
    assert np.abs(slow.temperature_c - expected)[late].max() < 0.35


@pytest.mark.parametrize("seed", range(20))
def test_a_drawn_probe_stays_within_its_accuracy(seed: int) -> None:
    """The mean error; noise and rounding come on top."""
    probe = draw_probe(np.random.default_rng(seed), "p", 600.0)
    still = ProbedPlace(TIME, np.full(len(TIME), 15.0), np.full(len(TIME), 80.0))
    samples = measure(probe, PLACEMENT, still, ROOM, (), END, np.random.default_rng(seed))
    late = samples.true_s > 2 * DAY_S
    assert abs(samples.humidity_pct[late].mean() - 80.0) <= 1.05 * probe.accuracy_pct
    assert abs(samples.temperature_c[late].mean() - 15.0) <= probe.accuracy_c


def test_values_are_rounded_to_the_probes_steps() -> None:
    samples = readings_of(Probe("p", 600.0, 0.3, 2.0, step_c=0.1, step_pct=0.5))
    assert np.allclose(samples.humidity_pct * 2, np.round(samples.humidity_pct * 2))
    assert np.allclose(samples.temperature_c * 10, np.round(samples.temperature_c * 10))


def test_humidity_never_reads_above_the_probes_highest() -> None:
    wet = ProbedPlace(TIME, np.full(len(TIME), 10.0), np.full(len(TIME), 100.0))
    probe = Probe("p", 600.0, 0.3, 2.0, bias_pct=1.5, highest_pct=99.9)
    assert measure(probe, PLACEMENT, wet, ROOM, (), END, np.random.default_rng(1)).humidity_pct.max() == 99.9


def _during(samples: Samples) -> tuple[np.ndarray, np.ndarray]:
    error = samples.humidity_pct - np.interp(samples.true_s, TIME, FOLDER.humidity_pct)
    return error[(samples.true_s > DAY_S) & (samples.true_s < 10 * DAY_S)], error[samples.true_s >= 10 * DAY_S]


@pytest.mark.parametrize("kind", [ft.DRIFT, ft.OFFSET, ft.NOISY, ft.SATURATED, ft.FALLEN_OUT, ft.STUCK])
def test_a_fault_begins_when_it_should(kind: str) -> None:
    amount = {ft.DRIFT: 1.0, ft.OFFSET: 8.0, ft.NOISY: 5.0, ft.SATURATED: 99.9}.get(kind, 0.0)
    before, after = _during(readings_of(EXACT, fault(kind, amount)))
    assert np.abs(before).max() < 0.05
    assert np.abs(after).max() > 4.9


def test_drift_grows_with_the_days() -> None:
    _, after = _during(readings_of(EXACT, fault(ft.DRIFT, -0.5)))
    assert after[-1] == pytest.approx(-5.0, abs=0.1)


def test_a_stuck_probe_repeats_one_value() -> None:
    samples = readings_of(EXACT, fault(ft.STUCK))
    assert len(np.unique(samples.humidity_pct[samples.true_s >= 10 * DAY_S + 600])) == 1


def test_spikes_strike_the_asked_share() -> None:
    _, after = _during(readings_of(EXACT, fault(ft.SPIKES, 0.1)))
    assert np.mean(np.abs(after) > 3.0) == pytest.approx(0.1, abs=0.03)


def test_a_sluggish_probe_closes_a_step_by_its_time_constant() -> None:
    time_s = 600.0 * np.arange(300)
    step = np.where(time_s >= 60_000.0, 70.0, 50.0)
    samples = Samples(time_s, time_s, np.full(300, 20.0), step, np.full(300, np.nan), np.full(300, 3.0))
    slow = ft.apply_fault(Fault(ft.SLUGGISH, "p", 0.0, 1e9, 10.0), samples, np.random.default_rng(1))
    shown = np.interp(60_000.0 - 600.0 + 36_000.0, time_s, slow.humidity_pct)
    assert shown == pytest.approx(70.0 - 20.0 / np.e, abs=0.1)


def test_a_probe_that_fell_out_reads_the_room() -> None:
    samples = readings_of(EXACT, fault(ft.FALLEN_OUT, end_day=15))
    out = (samples.true_s > 10.1 * DAY_S) & (samples.true_s < 15 * DAY_S)
    assert np.allclose(samples.humidity_pct[out], np.interp(samples.true_s[out], TIME, ROOM.humidity_pct), atol=0.05)
    assert samples.humidity_pct[-1] > 70.0


@pytest.mark.parametrize("amount", [3600.0, -86_400.0])
def test_a_wrong_clock_stamps_wrongly_and_measures_rightly(amount: float) -> None:
    kind = ft.CLOCK_AHEAD if amount > 0 else ft.CLOCK_BEHIND
    samples = readings_of(EXACT, fault(kind, amount))
    wrong = samples.stamp_s - samples.true_s
    assert set(wrong[samples.true_s >= 10 * DAY_S]) == {amount}
    assert set(wrong[samples.true_s < 10 * DAY_S]) == {0.0}


def test_silence_and_gaps_lose_readings() -> None:
    silent = readings_of(EXACT, fault(ft.SILENT, end_day=12))
    assert not ((silent.true_s >= 10 * DAY_S) & (silent.true_s < 12 * DAY_S)).any()
    gaps = readings_of(EXACT, fault(ft.GAPS, 0.7))
    assert np.mean(gaps.true_s >= 10 * DAY_S) < 0.35


def test_a_battery_runs_down_before_the_probe_goes_silent() -> None:
    samples = readings_of(EXACT, fault(ft.BATTERY, end_day=16))
    assert samples.true_s[-1] < 16 * DAY_S
    assert samples.battery_v[0] - samples.battery_v[-1] > 0.6


def _delivered(*outages: Outage, link: Link | None = None) -> Readings:
    sent = [(name, readings_of(EXACT, placement=ProbePlacement(name, "wall", 0.0))) for name in ("a", "b")]
    plain = Link(delay_s=2.0, repeated=0.0, late=0.0)
    return deliver(sent, outages, link or plain, END, np.random.default_rng(2))


def test_rows_stand_in_the_order_of_arrival() -> None:
    readings = _delivered(Outage(5 * DAY_S, 6 * DAY_S, order="mixed"), link=Link(20.0, 0.05, 0.05))
    assert (np.diff(readings.received_s) >= 0).all()
    assert (readings.received_s >= readings.time_s).all()
    assert readings.received_s[-1] <= END


@pytest.mark.parametrize("order", ["time", "probe", "newest_first", "mixed"])
def test_a_backlog_comes_after_the_outage_and_is_whole(order: str) -> None:
    readings = _delivered(Outage(5 * DAY_S, 6 * DAY_S, order=order))
    held = (readings.time_s >= 5 * DAY_S) & (readings.time_s < 6 * DAY_S)
    assert held.sum() == 288
    assert (readings.received_s[held] > 6 * DAY_S).all()
    assert (readings.received_s[held] < 6 * DAY_S + 600).all()
    assert not ((readings.received_s > 5 * DAY_S + 60) & (readings.received_s < 6 * DAY_S)).any()
    if order == "newest_first":
        assert (np.diff(readings.time_s[held & (readings.probe == 0)]) < 0).all()


def test_an_outage_without_a_store_loses_its_readings() -> None:
    readings = _delivered(Outage(5 * DAY_S, 6 * DAY_S, kept=False))
    assert not ((readings.time_s >= 5 * DAY_S) & (readings.time_s < 6 * DAY_S)).any()


def _rows(readings: Readings) -> Iterator[tuple[int, int, float]]:
    return zip(readings.probe.tolist(), readings.time_s.tolist(), readings.relative_humidity_pct.tolist(), strict=True)


def test_repeats_are_exact() -> None:
    readings = _delivered(link=Link(3.0, repeated=0.2, late=0.0))
    values: dict[tuple[int, int], set[float]] = {}
    for probe, time, humidity in _rows(readings):
        values.setdefault((probe, time), set()).add(humidity)
    assert len(readings) > 1.15 * len(values)
    assert all(len(seen) == 1 for seen in values.values())
