"""The regression gate: what the program says of a handful of held-out simulated jobs may not get worse.

The limits and what they rest on are in simulators/evaluation/gate.toml; nothing may be tuned on these jobs.
"""

from __future__ import annotations

import os

from simulators.evaluate import HELD_OUT_FROM, measure
from simulators.evaluation.gate import broken, load_gate
from simulators.evaluation.numbers import numbers
from simulators.evaluation.records import OURS


def test_the_numbers_of_the_held_out_jobs_are_within_their_limits():
    gate = load_gate()
    measured = measure(gate.jobs, [OURS], workers=min(2, os.cpu_count() or 1))
    assert not measured.failures
    assert broken(gate.limits, numbers(measured.totals[OURS])) == []


def test_the_jobs_of_the_gate_are_held_out():
    assert all(seed >= HELD_OUT_FROM for _, seed in load_gate().jobs)
