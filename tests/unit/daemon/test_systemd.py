"""What the service manager is told, word by word as in sd_notify(3) and sd_watchdog_enabled(3), on real sockets."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitord.daemon import systemd
from monitord.daemon.systemd import ServiceManager


class Manager:
    """Listens as systemd does."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.setblocking(False)

    def heard(self) -> list[str]:
        words = []
        while True:
            try:
                words.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return words

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["a path", "an abstract name"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    address = str(tmp_path / "n") if request.param == "a path" else f"@monitord-test-{os.getpid()}"
    made = Manager(address)
    yield made
    made.close()


def told(address: str | None, **more: str) -> ServiceManager:
    return ServiceManager.of_environment({} if address is None else {"NOTIFY_SOCKET": address, **more})


def test_ready_alive_and_stopping_are_said_in_the_words_of_the_protocol(manager: Manager) -> None:
    ours = told(manager.address, WATCHDOG_USEC="3000000", WATCHDOG_PID=str(os.getpid()))
    ours.ready("dashboard at http://127.0.0.1:8080/")
    ours.alive(None)
    ours.stopping()
    ready, alive, stopping = manager.heard()
    assert ready.split("\n") == ["READY=1", "STATUS=dashboard at http://127.0.0.1:8080/", f"MAINPID={os.getpid()}"]
    assert (alive, stopping) == ("WATCHDOG=1", "STOPPING=1")


def test_a_sign_of_life_is_given_every_half_of_the_time_allowed(
    manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(systemd, "monotonic", lambda: now[0])
    ours = told(manager.address, WATCHDOG_USEC="4000000")
    for _ in range(9):
        ours.alive(None)
        now[0] += 0.5
    assert manager.heard() == ["WATCHDOG=1"] * 3  # at 0, 2 and 4 s


def test_while_something_hangs_there_is_a_word_about_it_but_no_sign_of_life(
    manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(systemd, "monotonic", lambda: now[0])
    ours = told(manager.address, WATCHDOG_USEC="4000000")
    for hang in (None, "assess has not moved for 130 s", None):
        ours.alive(hang)
        now[0] += 2.0
    assert manager.heard() == ["WATCHDOG=1", "STATUS=hangs: assess has not moved for 130 s", "WATCHDOG=1"]


@pytest.mark.parametrize(
    "more", [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_USEC": "-1"}], ids=str
)
def test_where_no_watchdog_is_asked_for_no_sign_is_given(manager: Manager, more: dict[str, str]) -> None:
    told(manager.address, **more).alive(None)
    assert manager.heard() == []


def test_a_watchdog_meant_for_another_process_is_not_ours(manager: Manager) -> None:
    told(manager.address, WATCHDOG_USEC="1000000", WATCHDOG_PID=str(os.getpid() + 1)).alive(None)
    assert manager.heard() == []


def test_without_a_service_manager_nothing_happens() -> None:
    ours = told(None)
    ours.ready("x")
    ours.alive(None)
    ours.stopping()
    assert ours.watchdog_s is None


def test_a_manager_that_is_gone_or_does_not_read_harms_nothing_and_is_said_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ours = told(str(tmp_path / "gone"))
    ours.ready("x")
    ours.stopping()
    assert caplog.text.count("can't be told anything") == 1
    deaf = Manager(str(tmp_path / "deaf"))
    full = told(deaf.address)
    for _ in range(5000):  # far more than a queue of datagrams holds
        full.stopping()
    deaf.close()
    assert caplog.text.count("can't be told anything") == 2


def test_an_address_that_is_no_unix_socket_is_left_alone(caplog: pytest.LogCaptureFixture) -> None:
    told("vsock:2:1234").ready("x")
    assert "is no Unix socket" in caplog.text
