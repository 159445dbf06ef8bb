"""`monitord demo`: what a first-time reader is promised to see, at a faster pace than they watch it."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from brokers import wait_until

from simulators.demo.house import CONDENSING_LOCATION, DAYS, FACTOR, SILENT_PROBE
from simulators.demo.run import DemoClock

CHECKOUT = Path(__file__).parents[2]
SPEED = 150_000
"""Simulated seconds in a second: more than it comes to, so that the demo goes as fast as its daemon keeps up."""
WATCHED_S = 180.0
START_S, END_S = 120.0, 500.0
"""Limits for a busy machine, on which the demo waits for the daemon. [s]"""


class Shown:
    """A demo in a process of its own, and what it has said so far."""

    def __init__(self, folder: Path, *words: str) -> None:
        self._said = folder / "said"
        with self._said.open("w") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitord", "demo", "--port", "0", "--speed", str(SPEED), *words],
                stdout=sink,
                stderr=subprocess.STDOUT,
                cwd=CHECKOUT,  # as the README's command does: the simulated house is no part of the installed program
            )

    @property
    def said(self) -> str:
        return self._said.read_text()

    def wait_for(self, pattern: str, within_s: float) -> re.Match[str]:
        def is_said() -> bool:
            ended = self.process.poll() is not None
            found = re.search(pattern, self.said) is not None
            assert found or not ended, f"the demo ended early:\n{self.said}"
            return found

        wait_until(is_said, f"the demo says {pattern!r}", within_s)
        found = re.search(pattern, self.said)
        assert found is not None
        return found


@pytest.fixture
def show(tmp_path: Path) -> Iterator[Callable[..., Shown]]:
    shown: list[Shown] = []

    def begin(*words: str) -> Shown:
        shown.append(Shown(tmp_path, *words))
        return shown[-1]

    yield begin
    for one in shown:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait(10)


def test_it_is_over_in_less_than_three_minutes_of_watching() -> None:
    assert timedelta(days=DAYS).total_seconds() / FACTOR < WATCHED_S - 20.0, "20 s are left for start and end"


def test_it_shows_the_risk_rising_its_alert_opening_and_closing_and_the_silent_probe(
    show: Callable[..., Shown],
) -> None:
    demo = show()
    link = demo.wait_for(r"Dashboard: (http://\S+/enter/\S+)", START_S)[1]
    url = link[: link.index("enter/")]
    assert "Sign in" in httpx.get(url, timeout=20, follow_redirects=True).text, "without the link nobody is let in"
    visitor = httpx.Client(timeout=20, follow_redirects=True)
    assert "Demo: house" in visitor.get(link).text
    assert httpx.get(link, timeout=20).status_code == 403, "the link works once"
    demo.wait_for("The simulation has ended", END_S)
    told = demo.said
    wall = "north wall cavity"
    steps = [
        rf"{wall}: warning; surface",
        rf"{wall}: condensing more likely than not; surface -",
        rf"alert opened: condensation, {wall}",
        rf"alert closed: condensation, {wall}",
        rf"alert opened: probe silent, .*probe {SILENT_PROBE}",
    ]
    locations = [found.start() if (found := re.search(step, told)) else -1 for step in steps]
    assert -1 not in locations, f"not all of it was shown:\n{told}"
    assert locations[2:] == sorted(locations[2:])
    silent = set(re.findall(r"alert opened: probe silent, .*?probe (\w+)", told))
    assert silent == {SILENT_PROBE}, "no other probe is called silent"

    location = visitor.get(f"{url}jobs/demo-house/locations/{CONDENSING_LOCATION}")
    assert location.status_code == 200, "the dashboard stays up"
    open_ = visitor.get(f"{url}api/alerts").text
    assert "probe_silent" in open_
    visitor.close()
    demo.process.send_signal(signal.SIGINT)
    assert demo.process.wait(30) == 0
    assert "Traceback" not in demo.said


def test_it_can_be_stopped_at_any_moment(show: Callable[..., Shown]) -> None:
    demo = show("--exit")
    demo.wait_for("north wall cavity: warning", START_S)  # on its first day
    demo.process.send_signal(signal.SIGTERM)
    assert demo.process.wait(30) == 0
    assert "Traceback" not in demo.said


def test_its_clock_never_goes_back_and_ends() -> None:
    start = datetime(2025, 1, 13, tzinfo=UTC)
    clock = DemoClock(start, 3600.0)
    assert (clock.now(), clock.wait_s(7200.0)) == (start, 2.0)
    clock.set(start + timedelta(hours=1))
    clock.set(start)
    assert clock.now() == start + timedelta(hours=1)
    clock.end()
    assert clock.wait_s(1.0) == float("inf"), "nothing grows older"
