"""Fixtures for all tests: real servers. Being here also lets tests import the helper modules beside it."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import Mosquitto
from databases import upgrade
from hypothesis import HealthCheck, settings
from postgres import Postgres

from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker

# how long a case takes is the machine's business; a busy one would fail a test that found nothing
settings.register_profile("tests", deadline=None, suppress_health_check=[HealthCheck.too_slow])
if settings.get_current_profile_name() == "default":  # not where `mutate_numbers.py` has set its own
    settings.load_profile("tests")


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A real mosquitto that keeps its data in the test's own folder."""
    with Mosquitto(tmp_path / "mosquitto") as broker:
        yield broker


@pytest.fixture
def embedded_broker() -> Iterator[EmbeddedBroker]:
    """The broker that comes with the program."""
    with EmbeddedBroker() as broker:
        yield broker


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A server, started once in each process of tests that needs it."""
    with Postgres() as server:
        yield server


@pytest.fixture(scope="session", autouse=True)
def _migrated_once() -> Iterator[None]:
    """Databases of the tests' own process are made as copies of one that was migrated."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitord.store.db.schema.upgrade", upgrade)
        yield


@pytest.fixture(autouse=True)
def _logging_as_before() -> Iterator[None]:
    """What a test does to the log of the whole process ends with the test."""
    named = [logging.getLogger(name) for name in (None, "apprise", "apscheduler", "uvicorn", "sqlalchemy", "alembic")]
    before = [(logger, logger.level, logger.propagate, logger.handlers[:]) for logger in named]
    yield
    for logger, level, propagate, handlers in before:
        logger.setLevel(level)
        logger.propagate = propagate
        logger.handlers[:] = handlers
