"""`monitord run` as a process: signals, signs of life to the service manager, and the exit code."""

from __future__ import annotations

import faulthandler
import logging
import os
import signal
import threading
from collections.abc import Collection
from types import FrameType

from monitord.daemon.logs import set_up_logging
from monitord.daemon.systemd import ServiceManager
from monitord.daemon.wiring import Daemon
from monitord.errors import MonitordError
from monitord.ingest.gc_tuning import calm_garbage_collection
from monitord.model.config.roles import DaemonRole
from monitord.model.config.settings import Settings

_log = logging.getLogger(__name__)
_WATCH_S = 0.5


def run_until_stopped(settings: Settings, roles: Collection[DaemonRole] = (), member: str | None = None) -> int:
    """Run the daemon until SIGTERM or SIGINT, or until a part of it dies; returns the exit code."""
    set_up_logging(settings.log.level, form=settings.log.form)
    faulthandler.enable()  # where each thread was, when the service manager kills us for hanging
    stop, reload_asked = threading.Event(), threading.Event()

    def on_signal(number: int, _frame: FrameType | None) -> None:
        (reload_asked if number == signal.SIGHUP else stop).set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, on_signal)
    manager = ServiceManager.of_environment(os.environ)
    try:
        daemon = Daemon(settings, roles=roles, member=member)
        daemon.start()
    except MonitordError as error:
        _log.error("%s", error.message)
        return 1
    calm_garbage_collection()
    _log.info("running; %s", daemon.what_runs())
    manager.ready(f"dashboard at {daemon.url}" if daemon.url else "running")
    failure = _watch(daemon, manager, stop, reload_asked)
    manager.stopping()
    if failure is not None:
        _log.error("stopping, since a part has died: %s", failure)
    clean = daemon.stop()
    _log.info("stopped%s", "" if clean else ", not everything in time")
    return 0 if clean and failure is None else 1


def _watch(daemon: Daemon, manager: ServiceManager, stop: threading.Event, reload_asked: threading.Event) -> str | None:
    """Until a stop is asked for (None) or a part has died (its ailment): look, and give signs of life."""
    hung = False
    while not stop.wait(_WATCH_S):
        if (failure := daemon.failure()) is not None:
            return failure
        hang = daemon.hang()
        if (hang is not None) != hung:
            hung = hang is not None
            _log.error("hangs: %s", hang) if hung else _log.warning("moves again")
        manager.alive(hang)
        if reload_asked.is_set():
            reload_asked.clear()
            _log.warning("settings are read at start only: restart the daemon to apply a change")
    return None
