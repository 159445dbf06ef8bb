"""A real mosquitto for the tests that need one; where it is missing, they fail."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

LINES_THAT_KEEP_DATA = """\
persistence true
autosave_on_changes true
autosave_interval 1
max_queued_messages 0
max_inflight_messages 2000
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for_port(port: int, process: subprocess.Popen[bytes], within_s: float = 10.0) -> None:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        assert process.poll() is None, "the broker ended at its start"
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise AssertionError(f"nothing listens on port {port}")


@dataclass
class Mosquitto:
    """A broker that runs."""

    port: int
    process: subprocess.Popen[bytes]


def _program(name: str) -> str:
    found = shutil.which(name, path=os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin")))
    assert found, f"{name} is not installed; the tests need it (Debian package mosquitto)"
    return found


@pytest.fixture
def configured_mosquitto(tmp_path: Path) -> Iterator[Callable[[str], Mosquitto]]:
    """Starts a broker as the present user on a configuration, whose listener gets a free port."""
    running: list[subprocess.Popen[bytes]] = []

    def start(text: str) -> Mosquitto:
        port, config = free_port(), tmp_path / f"mosquitto-{len(running)}.conf"
        text, listeners = re.subn(r"^listener \d+ ", f"listener {port} ", text, count=1, flags=re.MULTILINE)
        assert listeners == 1
        config.write_text(f"user root\n{text}")
        process = subprocess.Popen(
            [_program("mosquitto"), "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        running.append(process)
        wait_for_port(port, process)
        return Mosquitto(port, process)

    yield start
    for process in running:
        process.terminate()
        process.wait(10)


@pytest.fixture
def start_mosquitto(tmp_path: Path, configured_mosquitto: Callable[[str], Mosquitto]) -> Callable[..., Mosquitto]:
    """Starts a broker that keeps data, by default for everyone; else as more lines of configuration say."""

    def start(extra: str = "allow_anonymous true\n") -> Mosquitto:
        folder = tmp_path / "mosquitto"
        folder.mkdir(exist_ok=True)
        kept = f"listener 0 127.0.0.1\npersistence_location {folder}/\n{LINES_THAT_KEEP_DATA}"
        return configured_mosquitto(kept + extra)

    return start


@pytest.fixture
def mosquitto(start_mosquitto: Callable[..., Mosquitto]) -> Mosquitto:
    """A broker that keeps data and lets everyone in."""
    return start_mosquitto()
