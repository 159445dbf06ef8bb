"""`monitord run` under a service manager with a watchdog: signs of life come only while the work goes on."""

from __future__ import annotations

import select
import signal
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import brokers
import pytest
from brokers import Mosquitto, wait_until
from daemon_process import ANSWER_S, GATE, START_S, STOP_S, Gate, Running, settings_of

ALLOWED_S = 1.0
"""What the service manager of these tests allows between two signs of life. [s]"""
HANGS = f"""{GATE}
import monitord.daemon.wiring
monitord.daemon.wiring.HANG_S = 1.5
"""
WRITER = """
import monitord.ingest.writer as w
commit = w.BatchWriter.commit
w.BatchWriter.commit = lambda self, messages: (wait_at_gate(), commit(self, messages))[1]
"""
ROUND = """
import monitord.pipeline
assess_pending = monitord.pipeline.assess_pending
monitord.pipeline.assess_pending = lambda *a, **k: (wait_at_gate(), assess_pending(*a, **k))[1]
"""
TELLING = """
import monitord.alerts.notifier as d
enqueue = d.enqueue_news
d.enqueue_news = lambda *a: (wait_at_gate(), enqueue(*a))[1]
"""


class Manager:
    """Listens as systemd does."""

    def __init__(self, folder: Path) -> None:
        self.address = str(folder / "notify")
        self.words: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.address)
        self._socket.setblocking(False)

    def listen(self) -> list[str]:
        """Everything heard so far."""
        while True:
            try:
                self.words.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return self.words

    @property
    def signs(self) -> int:
        return self.listen().count("WATCHDOG=1")

    def would_kill(self) -> bool:
        """Whether no sign of life comes for as long as systemd waits for one."""
        before, until = self.signs, time.monotonic() + ALLOWED_S
        while (left_s := until - time.monotonic()) > 0.0:
            select.select([self._socket], [], [], left_s)
            if self.signs > before:
                return False
        return True

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path)
    yield made
    made.close()


@pytest.fixture
def gate(tmp_path: Path) -> Iterator[Gate]:
    made = Gate(tmp_path)
    yield made
    made.close()


@pytest.fixture
def start(tmp_path: Path, mosquitto: Mosquitto, manager: Manager) -> Iterator[Callable[[str], Running]]:
    running: list[Running] = []

    def begin(prelude: str) -> Running:
        watchdog = {"NOTIFY_SOCKET": manager.address, "WATCHDOG_USEC": str(int(ALLOWED_S * 1e6))}
        running.append(Running(tmp_path, settings_of(tmp_path, mosquitto.port), prelude, **watchdog))
        return running[-1]

    yield begin
    for one in running:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait(STOP_S)


def lives(daemon: Running, manager: Manager, signs: int) -> None:
    """Wait for so many signs of life in all."""
    try:
        wait_until(lambda: manager.signs >= signs, "signs of life", START_S)
    except AssertionError:
        raise AssertionError(f"only {manager.signs} signs of life; heard {manager.words}; log:\n{daemon.log}") from None


def test_it_says_when_it_is_ready_that_it_lives_and_that_it_ends(
    start: Callable[[str], Running], manager: Manager
) -> None:
    daemon = start("")
    lives(daemon, manager, 3)
    assert manager.words[0].startswith("READY=1\n")
    assert f"STATUS=dashboard at {daemon.url}" in manager.words[0]
    assert "STOPPING=1" not in manager.listen()
    assert daemon.end() == 0
    assert manager.listen()[-1] == "STOPPING=1"


@pytest.mark.parametrize(
    ("patch", "named"),
    [(WRITER, "ingest"), (ROUND, "assess"), (TELLING, "tell people")],
    ids=["writer", "round", "telling"],
)
def test_a_loop_that_hangs_ends_the_signs_of_life_until_it_moves_again(
    gate: Gate,
    mosquitto: Mosquitto,
    start: Callable[[str], Running],
    manager: Manager,
    patch: str,
    named: str,
) -> None:
    daemon = start(HANGS + patch)
    lives(daemon, manager, 2)
    gate.shut()
    brokers.publish(mosquitto.port, [("monitord/g/p/reading", b"{}")])
    wait_until(
        lambda: any(word.startswith(f"STATUS=hangs: {named} has not moved") for word in manager.listen()),
        "it is said what hangs",
        ANSWER_S,
    )
    assert manager.would_kill()
    before = manager.signs
    assert daemon.process.poll() is None
    gate.open()
    lives(daemon, manager, before + 2)
    assert f"ERROR monitord.daemon.process: hangs: {named}" in daemon.log
    assert "moves again" in daemon.log
    assert daemon.end() == 0


def test_killed_for_hanging_it_leaves_in_the_log_where_it_hung(
    gate: Gate, start: Callable[[str], Running], manager: Manager
) -> None:
    daemon = start(HANGS + ROUND)
    lives(daemon, manager, 1)
    gate.shut()
    daemon.wait_for("hangs: assess")
    daemon.process.send_signal(signal.SIGABRT)  # as systemd does, see WatchdogSignal= in systemd.service(5)
    assert daemon.process.wait(STOP_S) == -signal.SIGABRT
    assert "Fatal Python error: Aborted" in daemon.log
    assert " in wait_at_gate" in daemon.log
