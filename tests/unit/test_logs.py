"""The log: one line an event, in UTC, that a payload can't forge."""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Iterator

import pytest

from monitord.logs import set_up_logging


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    root.handlers[:] = handlers
    root.setLevel(level)


def test_a_message_with_line_breaks_stays_one_line() -> None:
    stream = io.StringIO()
    set_up_logging("info", stream)
    logging.getLogger("monitord.ingest").info("topic %s", "a\n2025-01-01T00:00:00Z ERROR forged")
    assert re.fullmatch(
        r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ INFO monitord\.ingest: topic a\\n2025-01-01T00:00:00Z ERROR forged\n",
        stream.getvalue(),
    )


def test_less_than_the_level_is_left_out_and_chatty_libraries_are_quiet() -> None:
    stream = io.StringIO()
    set_up_logging("debug", stream)
    logging.getLogger("apscheduler.executors").info("running job")
    logging.getLogger("monitord").debug("kept")
    set_up_logging("warning", stream)
    logging.getLogger("monitord").info("left out")
    assert "kept" in stream.getvalue()
    assert "running job" not in stream.getvalue()
    assert "left out" not in stream.getvalue()
