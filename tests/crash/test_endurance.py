"""Short forms of the long runs: `tests/endure.py` has them at length, with the numbers that the documents promise."""

from __future__ import annotations

from pathlib import Path

import endurance
import fuzzing
import year


def test_killed_at_random_moments_under_load_every_message_is_stored_once_and_alerts_agree(tmp_path: Path) -> None:
    """What must hold is asserted in the run itself: readings, roll-ups, alerts, messages, the database's own check."""
    done = endurance.kill_at_random(tmp_path, 3, seed=2, each=100)
    assert (done.kills, done.messages) == (3, 300)
    assert done.alerts > 0


def test_a_backlog_at_the_broker_is_drained_while_pages_are_answered(tmp_path: Path) -> None:
    done = endurance.drain(tmp_path, 1500)
    assert done.pages > 0
    assert done.rounds > 0
    assert done.peak_mb < done.idle_mb + 150, "what waits in memory is bounded by batches, not by the backlog"


def test_thousands_of_malformed_inputs_are_refused_or_taken_and_nothing_else() -> None:
    done = fuzzing.fuzz(2500, seed=4)
    assert done.refused > 1000


def test_pages_ask_no_more_of_the_database_after_weeks_of_readings(tmp_path: Path) -> None:
    """By the instructions of SQLite's virtual machine: the work of a page goes by what it shows."""
    months = list(year.weeks(tmp_path, 4, days=1))
    assert months[-1].readings == 4 * months[0].readings
    assert months[-1].query_steps <= 1.2 * months[0].query_steps
