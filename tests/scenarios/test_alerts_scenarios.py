"""Every scenario file under `alerts/`, played once as it is and once with a restart before every step."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from alerts_runner import Player, Scenario
from alerts_support import empty

from monitord.store.db.database import Database

FILES = sorted((Path(__file__).parent / "alerts").glob("*.toml"))


@pytest.fixture(scope="module")
def shared() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


@pytest.fixture
def db(shared: Database) -> Database:
    """The shared database, emptied: making a new one costs more than a whole scenario."""
    empty(shared)
    return shared


def test_there_are_enough_scenarios() -> None:
    assert len(FILES) >= 40


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_scenario(path: Path, db: Database) -> None:
    scenario = Scenario(path)
    assert scenario.data["about"].strip()
    assert Player(scenario, db).play() == scenario.expected


@pytest.mark.parametrize("path", FILES[::4], ids=lambda p: p.stem)
def test_scenario_with_a_restart_before_every_step(path: Path, db: Database) -> None:
    scenario = Scenario(path)
    assert Player(scenario, db).play(restart_always=True) == scenario.expected
