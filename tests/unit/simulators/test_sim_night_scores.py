"""How forecasts of condensation are scored, and the two commands that print it."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from rich.console import Console

from simulators import evaluate_night
from simulators.benchmarks import mould
from simulators.building.mould import mould_index
from simulators.evaluation.night_scores import Evening, NightForecast, NightScore
from simulators.jobs.generate import generate

CAME = Evening(condensing=False, came=True, came_after_h=6.0, lowest_k=-1.0)
GOES_ON = Evening(condensing=True, came=True, came_after_h=0.0, lowest_k=-3.0)
DRY = Evening(condensing=False, came=False, came_after_h=None, lowest_k=2.0)


def scored(*rows):
    return NightScore("ours", 0.6, list(rows))


def test_the_brier_score_is_that_of_its_first_publication():
    """Brier 1950, table 1 (from memory): ten forecasts, 0.19 summed over rain and no rain, so half of it here."""
    said = [0.7, 0.9, 0.8, 0.4, 0.2, 0.0, 0.0, 0.0, 0.0, 0.1]
    rain = [False, True, True, True, False, False, False, False, False, False]
    rows = [
        (Evening(False, came, 6.0 if came else None, 0.0), NightForecast(p, None, 0.0, 1.0))
        for p, came in zip(said, rain, strict=True)
    ]
    score = scored(*rows)
    assert score.brier() == pytest.approx(0.19 / 2)
    parts = score.decomposition()
    assert parts.brier == pytest.approx(0.19 / 2)
    # Murphy 1973, by hand: three of ten came; the four zeros and the three ones each stand alone or as they are
    assert parts.uncertainty == pytest.approx(0.3 * 0.7)
    assert parts.resolution == pytest.approx((4 * 0.3**2 + 3 * 0.7**2 + 3 * 0.3**2) / 10)
    assert parts.reliability == pytest.approx((0.49 + 0.01 + 0.04 + 0.36 + 0.04 + 0.01) / 10)


def test_skill_is_over_each_places_own_share_and_over_the_day_before():
    def rows(place, share):
        for k in range(10):
            came = k < 10 * share
            yield Evening(k % 2 == 0, came, 3.0 if came else None, 0.0, place), NightForecast(share, None, 0.0, 1.0)

    score = scored(*rows("wet", 0.8), *rows("dry", 0.1))
    assert score.skill_over_climatology() == pytest.approx(0.0)  # to know each place's share is no skill
    assert score.persistence_brier() == pytest.approx(0.5, abs=0.06)
    assert score.skill_over_persistence() == pytest.approx(1.0 - score.brier() / score.persistence_brier())
    assert [(round(p, 1), round(c, 1), n) for p, c, n in score.reliability()] == [(0.1, 0.1, 10), (0.8, 0.8, 10)]


def test_hits_and_false_alarms_are_counted_by_what_came():
    score = scored(
        (CAME, NightForecast(0.9, 5.0, -1.2, 0.5)),
        (CAME, NightForecast(0.3, None, 0.5, 0.5)),
        (GOES_ON, NightForecast(1.0, 0.0, -2.0, 0.5)),
        (DRY, NightForecast(0.7, 3.0, -0.2, 0.5)),
        (DRY, NightForecast(0.1, None, 1.8, 0.5)),
        (DRY, NightForecast(0.0, None, 2.1, 0.5)),
    )
    assert score.rate(came=True, fresh=False) == (pytest.approx(2 / 3), 3)
    assert score.rate(came=True, fresh=True) == (pytest.approx(1 / 2), 2)
    assert score.rate(came=False, fresh=False) == (pytest.approx(1 / 3), 3)
    assert score.lead_h(fresh=True) == 6.0
    assert score.lead_h(fresh=False) == 3.0
    assert score.start_error_h() == 0.5
    squares = [0.2**2, 1.5**2, 1.0**2, 2.2**2, 0.2**2, 0.1**2]
    assert score.depth_error_k() == pytest.approx(math.sqrt(np.mean(squares)))
    assert score.coverage() == pytest.approx(3 / 6)
    assert score.brier() == pytest.approx(np.mean([0.01, 0.49, 0.0, 0.49, 0.01, 0.0]))


def test_nothing_to_score_gives_no_number():
    empty = scored()
    assert math.isnan(empty.brier())
    assert math.isnan(empty.rate(came=True, fresh=False)[0])
    assert math.isnan(empty.coverage())


def test_a_simulated_winter_is_foretold_better_than_by_the_day_before():
    """One job of the family, every fourth evening: fewer kelvins off, surer, and printed beside the baseline."""
    scores = evaluate_night.new_scores()
    assert scores[evaluate_night.OURS].limit == 0.5
    rows = evaluate_night.score(generate("condensation", 3), scores, every=4)
    assert rows >= 20
    ours, plain = scores[evaluate_night.OURS], scores[evaluate_night.BASELINE]
    assert len(ours.rows) == len(plain.rows) == rows
    assert ours.depth_error_k() < plain.depth_error_k()
    assert ours.brier() < plain.brier()
    assert 0.6 < ours.coverage() <= 1.0
    console = Console(width=120, record=True, file=io.StringIO())
    console.print(evaluate_night.table(scores))
    text = console.export_text()
    for line in ("hit rate, all evenings", "false-alarm rate", "median lead", evaluate_night.BASELINE):
        assert line in text


def test_the_mould_benchmark_prints_both_times_and_how_far_apart_they_are(capsys, monkeypatch):
    monkeypatch.setattr("sys.argv", ["benchmark_mould", "--locations", "8", "--plain", "2", "--runs", "1"])
    mould.main()
    shown = capsys.readouterr().out
    assert "8 locations" in shown
    assert "plain loop, 2 of them" in shown
    assert "agree within" in shown


def test_the_benchmarks_year_grows_and_declines():
    """Else it would time less than the model does."""
    t, rh = mould.damp_year(2)
    index = mould_index(t[:, 0], rh[:, 0])
    assert t.shape == rh.shape == (8760, 2)
    assert index.max() > 1.0
    assert np.any(np.diff(index) > 0)
    assert np.any(np.diff(index) < 0)
