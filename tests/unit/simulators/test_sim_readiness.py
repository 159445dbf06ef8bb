"""Verdicts on simulated slabs: never wrong in a small batch, and ready at all. A larger one: evaluate_readiness."""

from __future__ import annotations

import pytest

from simulators.evaluation.readiness import SlabScore, score_readiness
from simulators.jobs.generate import generate


@pytest.fixture(scope="module")
def slabs() -> list[SlabScore]:
    return [slab for seed in (0, 2) for slab in score_readiness(generate("sleeves", seed), (2.0,))[2.0]]


def test_no_simulated_slab_is_called_ready_while_its_concrete_is_over_the_limit(slabs: list[SlabScore]) -> None:
    assert len(slabs) >= 10
    assert not [slab for slab in slabs if slab.wrong]


def test_some_slab_is_called_ready_and_none_before_its_true_date(slabs: list[SlabScore]) -> None:
    late = [slab.days_late for slab in slabs if slab.ready_s is not None]
    assert len(late) >= 2
    assert all(days is not None and days >= 0.0 for days in late)


def test_a_limit_that_is_never_reached_is_never_ready(slabs: list[SlabScore]) -> None:
    assert all(slab.ready_s is None for slab in slabs if slab.true_s is None)
