"""`monitord doctor`: looks at everything that a running daemon needs, changes nothing, and names a remedy."""

from __future__ import annotations

import ipaddress
import logging
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table

from monitord.alerts.lifecycle.rule_files import rule_book
from monitord.alerts.sending.channels.opening import open_channels
from monitord.clock import SystemClock
from monitord.errors import MonitordError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.mqtt.connection import Connection as BrokerConnection
from monitord.ingest.mqtt.link import LinkState
from monitord.model.config.broker import BrokerSettings
from monitord.model.config.influx_settings import ReadingsIn
from monitord.model.config.settings import Settings
from monitord.store import mirror
from monitord.store.db import integrity
from monitord.store.last_seen import probes_seen
from monitord.store.maintenance.backup import backups_in
from monitord.store.series.keeping import influx_readings, open_store

_BROKER_S = 8.0
_RELEASED = datetime(2025, 1, 1, tzinfo=UTC)
"""No clock that is right shows an earlier time than this program's."""
_CLOCK_WATCH_S = 0.3
_LATE_BACKUPS = 2
"""A backup older than this many of its intervals is told of. Our choice."""
_CLOCK_DRIFT_S = 0.05


class Mark(StrEnum):
    """How a check came out."""

    OK = "ok"
    NOTE = "note"
    WRONG = "WRONG"


@dataclass(frozen=True)
class SystemCheck:
    """What one look found."""

    name: str
    mark: Mark
    text: str
    remedy: str = ""


def run_doctor(settings_of: Callable[[], Settings]) -> int:
    """Look at everything and print it; 0 when nothing is wrong, else 1."""
    table = Table("check", "", "found", box=None, pad_edge=False, header_style="bold")
    wrong = 0
    with _log_off():
        for check in examine(settings_of):
            wrong += check.mark is Mark.WRONG
            table.add_row(check.name, check.mark, f"{check.text}. {check.remedy}" if check.remedy else check.text)
    console = Console(highlight=False)
    console.print(table, markup=False)
    console.print(f"\n{wrong} of these keep the daemon from working." if wrong else "\nNothing is wrong.", markup=False)
    return 1 if wrong else 0


@contextmanager
def _log_off() -> Iterator[None]:
    """No log meanwhile: what goes wrong stands in the table."""
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)


def examine(settings_of: Callable[[], Settings]) -> Iterator[SystemCheck]:
    """Every check in turn; a wrong one keeps the others from being made only where they need it."""
    try:
        settings = settings_of()
    except MonitordError as error:
        yield _wrong("settings", error)
        return
    yield SystemCheck("settings", Mark.OK, "read and consistent")
    yield from _guarded("alert rules", lambda: _rules(settings))
    yield from _guarded("topics", lambda: _topics(settings))
    yield from _guarded("database", lambda: _database(settings))
    yield from _guarded("backups", lambda: _backups(settings))
    yield from _guarded("clock", lambda: _clock(settings))
    for name, broker in settings.all_brokers.items():
        yield from _guarded(name, lambda name=name, broker=broker: _broker(settings, name, broker))  # type: ignore[misc]
    yield from _guarded("channels", lambda: _channels(settings))
    if settings.store.readings is ReadingsIn.INFLUXDB:
        yield from _guarded("readings", lambda: _readings(settings))
    if settings.mirror.url is not None:
        yield from _guarded("mirror", lambda: _mirror(settings))


def _guarded(name: str, look: Callable[[], Iterator[SystemCheck]]) -> Iterator[SystemCheck]:
    try:
        yield from look()
    except MonitordError as error:
        yield _wrong(name, error)


def _wrong(name: str, error: MonitordError) -> SystemCheck:
    text = MonitordError(error.what, where=error.where, why=error.why).message
    return SystemCheck(name, Mark.WRONG, text, error.remedy or "")


def _rules(settings: Settings) -> Iterator[SystemCheck]:
    book = rule_book(settings.alerts.rules_file)
    source = settings.alerts.rules_file or "those of the program"
    yield SystemCheck("alert rules", Mark.OK, f"{len(book.kinds)} kinds, {len(book.overrides)} overrides ({source})")


def _topics(settings: Settings) -> Iterator[SystemCheck]:
    for name, broker in settings.all_brokers.items():
        filters = TopicRules(settings.topics).filters(broker.also_read)
        yield SystemCheck("topics", Mark.OK, f"subscribes to {', '.join(filters)}{_of(name, settings)}")


def _of(broker: str, settings: Settings) -> str:
    """Which broker is meant, where there are several."""
    return f" ({broker})" if settings.brokers else ""


# --- database ------------------------------------------------------------------------------------------------


def _database(settings: Settings) -> Iterator[SystemCheck]:
    path = integrity.file_of(settings.database.url)
    if path is not None:
        yield _free_disk(path, settings.database.min_free_mb)
        if not path.exists():
            yield _new_database(path)
            return
    db = open_store(settings, migrate=False)
    try:
        with db.read() as conn:
            health_problems = integrity.health_problems(conn)
            newest = max((one.received_at for one in probes_seen(conn)), default=None)
    finally:
        db.close()
    if health_problems:
        yield SystemCheck(
            "database",
            Mark.WRONG,
            f"damaged: {health_problems[0]}",
            "Stop the daemon and restore a backup: `monitord restore FILE --replace`",
        )
        return
    yield SystemCheck("database", Mark.OK, f"{db.url}: schema is current, integrity checked")
    if newest is not None and newest > SystemClock().now():
        yield SystemCheck(
            "clock",
            Mark.WRONG,
            f"it is behind the newest stored reading, which arrived at {newest:%Y-%m-%dT%H:%M:%SZ}",
            "Set the machine's clock, best by NTP",
        )


def _free_disk(path: Path, min_mb: int) -> SystemCheck:
    folder = path.parent
    if not folder.is_dir():
        return SystemCheck(
            "disk", Mark.WRONG, f"there is no folder {folder}", "Create it, for the user that runs monitord"
        )
    free_mb = shutil.disk_usage(folder).free // 2**20
    if free_mb < min_mb:
        return SystemCheck("disk", Mark.WRONG, f"{free_mb} MB free at {folder}, less than {min_mb}", "Free some space")
    return SystemCheck("disk", Mark.OK, f"{free_mb} MB free at {folder}")


def _new_database(path: Path) -> SystemCheck:
    folder = path.parent
    if not os.access(folder, os.W_OK | os.X_OK):
        return SystemCheck(
            "database", Mark.WRONG, f"{folder} can't be written to", "Grant it to the user that runs monitord"
        )
    return SystemCheck("database", Mark.NOTE, f"{path} is not there yet; the daemon makes it at its first start")


def _backups(settings: Settings) -> Iterator[SystemCheck]:
    """A note and never more: the daemon works without them, until the disk fails."""
    folder, now = settings.backup.folder, SystemClock().now()
    if integrity.file_of(settings.database.url) is None:
        return
    if folder is None:
        remedy = "Give `backup.folder`, best on another disk; `monitord backup --to FOLDER` makes one at once"
        yield SystemCheck("backups", Mark.NOTE, "none are made", remedy)
        return
    made = backups_in(folder) if folder.is_dir() else []
    if not made or now - made[-1].made_at > timedelta(hours=_LATE_BACKUPS * settings.backup.every_h):
        newest = f"the newest in {folder} is of {made[-1].made_at:%Y-%m-%dT%H:%M:%SZ}" if made else f"none in {folder}"
        yield SystemCheck("backups", Mark.NOTE, newest, "A running daemon makes one when it is due; see its log")
        return
    yield SystemCheck("backups", Mark.OK, f"{len(made)} in {folder}, the newest of {made[-1].made_at:%Y-%m-%d}")


# --- clock ---------------------------------------------------------------------------------------------------


def _clock(_: Settings) -> Iterator[SystemCheck]:
    clock = SystemClock()
    began, began_monotonic = clock.now(), time.monotonic()
    if began < _RELEASED:
        yield SystemCheck(
            "clock", Mark.WRONG, f"it shows {began:%Y-%m-%d}, before this program was made", "Set it, best by NTP"
        )
        return
    ZoneInfo("Europe/Helsinki")  # any zone at all: the time zone data are there
    time.sleep(_CLOCK_WATCH_S)
    passed = (clock.now() - began).total_seconds()
    drift = passed - (time.monotonic() - began_monotonic)
    if abs(drift) > _CLOCK_DRIFT_S:
        yield SystemCheck(
            "clock", Mark.WRONG, f"it jumped by {drift:.2f} s while it was watched", "See what sets it; use NTP alone"
        )
        return
    yield SystemCheck("clock", Mark.OK, f"{began:%Y-%m-%dT%H:%M:%SZ}, runs steadily")


# --- broker --------------------------------------------------------------------------------------------------


def _broker(settings: Settings, name: str, broker: BrokerSettings) -> Iterator[SystemCheck]:
    """Connect beside the running daemon, under an id of its own that leaves no session behind."""
    yield from weak_settings(name, broker)
    broker = broker.model_copy(update={"client_id": f"{broker.client_id}-doctor-{os.getpid()}"})
    topics = TopicRules(settings.topics)
    link = BrokerConnection(
        broker, topics.filters(broker.also_read), SystemClock(), lambda _: None, lambda: True, lasting=False
    )
    thread = threading.Thread(target=link.run, name="doctor-broker", daemon=True)
    thread.start()
    deadline = time.monotonic() + _BROKER_S
    while not link.state.connected and link.state.error is None and time.monotonic() < deadline:
        time.sleep(0.02)
    state = link.state
    link.close()
    thread.join(2.0)
    yield _link_found(name, state, link.where, broker.protocol)


def weak_settings(name: str, broker: BrokerSettings) -> Iterator[SystemCheck]:
    """What lets others listen to a broker beyond this machine, or play us."""
    local = broker.host == "localhost" or (_is_address(broker.host) and ipaddress.ip_address(broker.host).is_loopback)
    if local:
        return
    if not broker.tls:
        more = ", the password too" if broker.password is not None else ""
        text = f"{broker.host} is reached over a network in the clear{more}"
        yield SystemCheck(name, Mark.NOTE, text, "Give it a certificate, and set `tls` and the port that speaks it")
    if broker.username is None and broker.tls_cert_file is None:
        text = f"{broker.host} lets us in without a password or a certificate, so it may let in anyone"
        yield SystemCheck(name, Mark.NOTE, text, "Have it ask for one (deploy/mosquitto.conf), and set `username`")


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _link_found(name: str, state: LinkState, where: str, protocol: str) -> SystemCheck:
    if state.error is not None:
        return _wrong(name, state.error)
    if not state.connected:
        return SystemCheck(
            name,
            Mark.WRONG,
            f"{where} did not answer within {_BROKER_S:.0f} s",
            "Check `broker.host` and `broker.port`",
        )
    return SystemCheck(name, Mark.OK, f"{where} speaks MQTT {protocol} and grants every subscription with QoS 1")


# --- channels ------------------------------------------------------------------------------------------------


def _channels(settings: Settings) -> Iterator[SystemCheck]:
    """Open them as the daemon does; nothing is sent."""
    opened = open_channels(settings.alerts)
    if not opened or not settings.alerts.people:
        remedy = "Give [[alerts.channels]] and [[alerts.people]] in the settings; alerts show on the dashboard alone"
        yield SystemCheck("channels", Mark.NOTE, "nobody is told of alerts", remedy)
        return
    people = ", ".join(person.id for person in settings.alerts.people)
    hint = f"`monitord alert test --to {settings.alerts.people[0].id}` sends a test message"
    yield SystemCheck("channels", Mark.OK, f"{', '.join(sorted(opened))} can be used; alerts go to {people}", hint)


# --- readings in InfluxDB ------------------------------------------------------------------------------------


def _readings(settings: Settings) -> Iterator[SystemCheck]:
    """The server is asked for a reading, and nothing is written."""
    where = settings.store.url or ""
    if settings.store.secret() and settings.store.in_the_clear:
        text = f"{where} is reached over a network in the clear, the token too"
        yield SystemCheck("readings", Mark.NOTE, text, "Give it https, by its own certificate or a proxy's")
    with closing(influx_readings(settings.store)) as store:
        probes = store.probes()
    yield SystemCheck("readings", Mark.OK, f"{where} answers, with readings of {len(probes)} probes")
    remedy = "A copy of the database is half of what is needed: have the server's own backups made as well"
    yield SystemCheck("readings", Mark.NOTE, "`monitord backup` does not hold what is in InfluxDB", remedy)


# --- mirror --------------------------------------------------------------------------------------------------


def _mirror(settings: Settings) -> Iterator[SystemCheck]:
    """A note and never more: the copy catches up by itself. What stands in the database is told, nothing is written."""
    if settings.mirror.secret() and settings.mirror.in_the_clear:
        text = f"{settings.mirror.url} is reached over a network in the clear, the token too"
        yield SystemCheck("mirror", Mark.NOTE, text, "Give it https, by its own certificate or a proxy's")
    url, file = settings.mirror.url, integrity.file_of(settings.database.url)
    if file is not None and not file.exists():
        yield SystemCheck("mirror", Mark.NOTE, f"{url} gets its first readings when the daemon runs")
        return
    db = open_store(settings, migrate=False)
    try:
        with db.read() as conn:
            copy, parked = mirror.state(conn), mirror.parked_lines(conn, 1)
    finally:
        db.close()
    if copy is None or copy.target != settings.mirror.target:
        yield SystemCheck("mirror", Mark.NOTE, f"{url} gets every reading once the daemon runs")
        return
    due = f"{copy.due_hours} hours of probes and {copy.due_assessments} assessments are due"
    if copy.failing_since is not None:
        remedy = "Check `mirror.token`, `mirror.bucket` and the right to write" if copy.refused else "Check the server"
        since = f"takes nothing since {copy.failing_since:%Y-%m-%dT%H:%M:%SZ} ({copy.problem})"
        yield SystemCheck("mirror", Mark.NOTE, f"{url} {since}; {due}", remedy)
    else:
        yield SystemCheck("mirror", Mark.OK, f"{url}: {due}")
    if parked:
        remedy = "`monitord mirror parked` lists them; `monitord mirror again` sends everything once more"
        yield SystemCheck(
            "mirror", Mark.NOTE, f"{copy.parked} lines are refused, the newest: {parked[0].reason}", remedy
        )
