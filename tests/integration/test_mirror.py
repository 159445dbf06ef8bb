"""The mirror against a real InfluxDB: nothing lost, nothing twice, and a server that refuses is told of."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import psychrolib
import pytest
from brokers import wait_until
from clocks import SetClock
from influx import TOKEN, Influx
from pydantic import ValidationError

from monitord.cli import main
from monitord.daemon.doctor import _mirror
from monitord.daemon.mirror.rounds import Mirror
from monitord.daemon.wiring import Daemon
from monitord.errors import ConfigurationError
from monitord.ingest.mqtt.embedded_broker import EmbeddedBroker
from monitord.model.assessments import Comparison, Drying, Flow, Forecast, JobAssessment, LocationAssessment, State
from monitord.model.config.mirror_settings import MirrorSettings
from monitord.model.config.settings import Settings
from monitord.model.jobs import JobFile, Location, LocationKind, Placement
from monitord.model.quantity import Quantity
from monitord.model.readings import Reading
from monitord.store import assessments, jobs
from monitord.store import mirror as stored
from monitord.store.db.database import Database
from monitord.store.series.influx.server import Answer, Server, Verdict, answer_of
from monitord.store.series.readings import insert_batch

T0 = datetime(2025, 3, 1, tzinfo=UTC)
JOB = JobFile(
    job="quay-lane",
    start=T0,
    locations=(Location(id="room", kind=LocationKind.ROOM_AIR), Location(id="void", kind=LocationKind.SUBFLOOR_VOID)),
    probes=(Placement(probe="p1", location_id="void", from_time=T0),),
)
COUNT = 'SELECT COUNT("temperature_c") FROM monitord_reading'


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    with Influx(tmp_path_factory.mktemp("influx")) as server:
        yield server


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/m.sqlite3")
    with database.write() as conn:
        stored.switch_on(conn, "here")
    yield database
    database.close()


@pytest.fixture
def bucket(influx: Influx, request: pytest.FixtureRequest) -> str:
    return influx.create(request.node.name[:60])


def reading(minutes: float, probe: str = "p1", **values: Any) -> Reading:
    stamp = T0 + timedelta(minutes=minutes)
    given = {"temperature_c": 15.0 + 0.01 * minutes, "relative_humidity_pct": 70.0, "received_at": stamp, **values}
    return Reading(probe=probe, time=stamp, **given)


def keep(db: Database, *readings: Reading) -> None:
    with db.write() as conn:
        insert_batch(conn, readings)


def server_of(influx: Influx, bucket: str, token: str = TOKEN) -> Server:
    given = {"url": influx.url, "org": "firm", "bucket": bucket, "token": token, "timeout_s": 5}
    return Server(MirrorSettings.model_validate(given))


def state(db: Database) -> stored.MirrorState:
    with db.read() as conn:
        found = stored.state(conn)
    assert found is not None
    return found


class Between:
    """A server, with something done to the lines or beside them at each write."""

    def __init__(self, server: Server, act: Callable[[Sequence[str]], object]) -> None:
        self._server, self._act = server, act
        self.sizes: list[int] = []

    def write(self, lines: Sequence[str]) -> Answer:
        self.sizes.append(len(lines))
        answer = self._server.write(lines)
        self._act(lines)
        return answer


def test_a_reading_is_there_with_what_follows_from_it(influx: Influx, db: Database, bucket: str) -> None:
    full = reading(
        0, temperature_c=20, relative_humidity_pct=50, surface_temperature_c=9.5, battery_v=2.9, rssi_dbm=-71
    )
    faulty = reading(10, temperature_c=20, relative_humidity_pct=0)
    keep(db, full, faulty)
    assert Mirror(db, SetClock(T0), server_of(influx, bucket)).run_once() == 2
    first, second = influx.rows(bucket, "SELECT * FROM monitord_reading")
    assert (first["time"], first["probe"]) == (T0.timestamp() * 1000, "p1")
    assert {name: first[name] for name in ("temperature_c", "relative_humidity_pct", "battery_v", "rssi_dbm")} == {
        "temperature_c": 20.0,
        "relative_humidity_pct": 50.0,
        "battery_v": 2.9,
        "rssi_dbm": -71.0,
    }
    # PsychroLib 2 (ASHRAE Handbook—Fundamentals 2017, ch. 1)
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert first["dew_point_c"] == pytest.approx(psychrolib.GetTDewPointFromRelHum(20, 0.5), abs=0.01)
    assert first["vapour_pressure_pa"] == pytest.approx(psychrolib.GetVapPresFromRelHum(20, 0.5), rel=1e-4)
    assert second["temperature_c"] == 20.0
    assert second["dew_point_c"] is None


def test_an_assessment_is_told_once_for_ten_minutes_the_last_of_them(influx: Influx, db: Database, bucket: str) -> None:
    mirror = Mirror(db, SetClock(T0), server_of(influx, bucket))
    with db.write() as conn:
        jobs.apply_job(conn, JOB)
    for minute, state_ in ((1, State.TOO_EARLY), (9, State.DRYING), (10, State.STALLED)):
        with db.write() as conn:
            assessments.save_assessment(conn, assessed(minute, state_))
        mirror.run_once()
    first, second = influx.rows(bucket, "SELECT * FROM monitord_location")
    ten = 600_000
    assert [row["time"] - T0.timestamp() * 1000 for row in (first, second)] == [0, ten]
    assert [row["state"] for row in (first, second)] == ["drying", "stalled"]
    assert {"job": "quay-lane", "location": "void", "kind": "subfloor_void"}.items() <= first.items()
    assert first["vapour_pressure_over_room_pa"] == 310.0
    assert first["vapour_pressure_over_room_pa_u"] == 25.0
    assert first["goal_middle_s"] == int((T0 + timedelta(days=9)).timestamp())
    assert first["drying_value"] == 84.0
    assert "goal_high_s" not in first


def assessed(minute: int, state_: State) -> JobAssessment:
    at = T0 + timedelta(minutes=minute)
    dates = {"low": T0 + timedelta(days=7), "middle": T0 + timedelta(days=9), "high": None}
    series = LocationAssessment(
        location="void",
        probe="p1",
        state=state_,
        last_reading_at=at,
        comparisons=(
            Comparison(
                against="room",
                role="room",
                at=at,
                vapour_pressure_difference=Quantity(value=310, unit="Pa", u=25),
                humidity_ratio_difference=None,
                flow=Flow.OUT_OF,
            ),
        ),
        drying=Drying(
            metric="rh_pct",
            unit="% RH",
            limit=75,
            value=Quantity(value=84, unit="% RH", u=1),
            start_value=None,
            rate_per_day=None,
        ),
        forecast=Forecast(made_at=at, never=False, high_never=True, **dates),
    )
    return JobAssessment(job="quay-lane", as_of=at, last_reading_at=at, locations=(series,), findings=())


def test_a_mirror_that_was_away_for_a_day_catches_up_without_loss(influx: Influx, db: Database, bucket: str) -> None:
    clock = SetClock(T0)
    mirror = Mirror(db, clock, server_of(influx, bucket))
    keep(db, reading(0))
    assert mirror.run_once() == 1
    influx.stop_server()
    try:
        for hour in range(24):
            clock.time = T0 + timedelta(hours=hour + 1)
            keep(db, *(reading(60 * hour + m, probe) for m in range(10, 70, 10) for probe in ("p1", "p2", "p3")))
            assert mirror.run_once() == 0
        away = state(db)
        assert away.failing_since == T0 + timedelta(hours=1)
        assert not away.refused
        assert away.problem is not None
    finally:
        influx.start()
    clock.time += timedelta(minutes=6)  # longer than the longest wait
    assert mirror.run_once() == 24 * 6 * 3
    assert influx.rows(bucket, COUNT)[0]["count"] == 24 * 6 * 3 + 1
    back = state(db)
    assert (back.failing_since, back.due_hours, back.parked) == (None, 0, 0)


def test_a_late_reading_and_one_that_comes_during_a_write_are_told_too(
    influx: Influx, db: Database, bucket: str
) -> None:
    late = [reading(5), reading(3)]
    between = Between(server_of(influx, bucket), lambda _: keep(db, late.pop()) if late else None)
    mirror = Mirror(db, SetClock(T0), between)
    keep(db, reading(10), reading(70))
    mirror.run_once()
    assert not late
    assert influx.rows(bucket, COUNT)[0]["count"] == 4
    assert state(db).due_hours == 0


def test_an_hour_of_more_readings_than_one_write_takes_goes_in_parts(influx: Influx, db: Database, bucket: str) -> None:
    keep(db, *(reading(k / 100) for k in range(5_500)), reading(61))
    between = Between(server_of(influx, bucket), lambda _: None)
    Mirror(db, SetClock(T0), between).run_once()
    assert between.sizes == [5000, 501]
    assert influx.rows(bucket, COUNT)[0]["count"] == 5_501


def test_a_line_that_is_refused_is_parked_and_the_others_are_there(influx: Influx, db: Database, bucket: str) -> None:
    # the server holds a text where the reading has a number: a field keeps the type that it had first in its shard
    first = f'monitord_reading,probe=x battery_v="low" {T0.timestamp() * 1000:.0f}'
    assert server_of(influx, bucket).write([first]).verdict is Verdict.ACCEPTED
    keep(db, *(reading(10 * k) for k in range(20)), reading(205, battery_v=3.0), *(reading(210 + k) for k in range(9)))
    mirror = Mirror(db, SetClock(T0), server_of(influx, bucket))
    mirror.run_once()
    assert influx.rows(bucket, COUNT)[0]["count"] == 29
    with db.read() as conn:
        (line,) = stored.parked_lines(conn)
    assert "battery_v=3" in line.line
    assert "field type conflict" in line.reason
    assert (state(db).parked, state(db).due_hours, state(db).failing_since) == (1, 0, None)
    with db.write() as conn:
        stored.due_again(conn)
    assert state(db).parked == 0
    mirror.run_once()
    assert state(db).parked == 1


def test_a_wrong_token_stops_it_and_parks_nothing(influx: Influx, db: Database, bucket: str) -> None:
    clock = SetClock(T0)
    keep(db, reading(0))
    assert Mirror(db, clock, server_of(influx, bucket, "wrong")).run_once() == 0
    stopped = state(db)
    assert (stopped.refused, stopped.failing_since, stopped.parked, stopped.due_hours) == (True, T0, 0, 1)
    assert stopped.problem is not None
    assert stopped.problem.startswith("401")
    assert Mirror(db, clock, server_of(influx, bucket)).run_once() == 1
    assert (state(db).refused, state(db).failing_since, state(db).accepted_at) == (False, None, T0)


def test_a_bucket_that_is_not_there_stops_it_until_it_is(influx: Influx, db: Database) -> None:
    clock = SetClock(T0)
    keep(db, reading(0))
    mirror = Mirror(db, clock, server_of(influx, "to-come"))
    assert mirror.run_once() == 0
    assert state(db).refused
    assert (state(db).problem or "").startswith("404")
    influx.create("to-come")
    assert mirror.run_once() == 0  # it does not hammer on the door
    clock.time += timedelta(minutes=5)
    assert mirror.run_once() == 1


def test_what_is_older_than_the_server_keeps_is_left_out_and_parked_nowhere(
    influx: Influx, db: Database, bucket: str
) -> None:
    influx.ask(f'ALTER RETENTION POLICY "autogen" ON "{bucket}" DURATION 1h SHARD DURATION 1h', method="POST")
    now = datetime.now(UTC)
    fresh = Reading(probe="p1", time=now, temperature_c=20, relative_humidity_pct=50, received_at=now)
    keep(db, reading(0), reading(10), fresh)
    Mirror(db, SetClock(now), server_of(influx, bucket)).run_once()
    assert influx.rows(bucket, COUNT)[0]["count"] == 1
    assert (state(db).parked, state(db).due_hours, state(db).failing_since) == (0, 0, None)


CHILD = """
import os, signal, sys
from datetime import UTC, datetime
from clocks import SetClock
from monitord.daemon.mirror.rounds import Mirror
from monitord.store.series.influx.server import Server
from monitord.model.config.mirror_settings import MirrorSettings
from monitord.store.db.database import Database

database, url, bucket, token, before = sys.argv[1:]
server = Server(MirrorSettings.model_validate({"url": url, "bucket": bucket, "token": token}))

class Deadly:
    def write(self, lines):
        if before == "before":
            os.kill(os.getpid(), signal.SIGKILL)
        server.write(lines)
        os.kill(os.getpid(), signal.SIGKILL)

Mirror(Database.open(database), SetClock(datetime(2025, 3, 1, tzinfo=UTC)), Deadly()).run_once()
"""


@pytest.mark.parametrize("when", ["before", "after"])
def test_killed_around_a_write_it_loses_nothing_and_tells_nothing_twice(
    influx: Influx, db: Database, tmp_path: Path, when: str
) -> None:
    bucket = influx.create(f"killed-{when}")
    keep(db, *(reading(10 * k, probe) for k in range(30) for probe in ("p1", "p2")))
    words = [f"sqlite:///{tmp_path}/m.sqlite3", influx.url, bucket, TOKEN, when]
    support = str(Path(__file__).parents[1] / "support")
    start = f"import sys; sys.path[:0] = [{support!r}]\n{CHILD}"
    died = subprocess.run([sys.executable, "-c", start, *words], check=False, timeout=60)
    assert died.returncode == -signal.SIGKILL
    there = influx.rows(bucket, COUNT)
    assert (there[0]["count"] if there else 0) == (60 if when == "after" else 0)
    assert state(db).due_hours == 10
    assert Mirror(db, SetClock(T0), server_of(influx, bucket)).run_once() == 60
    assert influx.rows(bucket, COUNT)[0]["count"] == 60
    assert state(db).due_hours == 0


def test_another_target_is_due_everything_and_none_is_due_nothing(db: Database) -> None:
    keep(db, reading(0), reading(10), reading(65))
    assert state(db).due_hours == 2
    with db.write() as conn:
        assert not stored.switch_on(conn, "here")
        hours = stored.due_hours(conn, 10)
        stored.settle_hours(conn, hours)
        assert stored.switch_on(conn, "elsewhere")
        assert [hour[:3] for hour in stored.due_hours(conn, 10)] == [hour[:3] for hour in hours]
        stored.switch_off(conn)
    keep(db, reading(130))
    with db.read() as conn:
        assert stored.state(conn) is None
        assert stored.due_hours(conn, 10) == []


def test_a_server_that_refuses_everything_is_not_taken_for_one_that_refuses_a_line(db: Database) -> None:
    class Refuses:
        def write(self, lines: Sequence[str]) -> Answer:
            return Answer(Verdict.BAD_LINE, "400: precision is not known here")

    keep(db, *(reading(10 * k) for k in range(4)))
    assert Mirror(db, SetClock(T0), Refuses()).run_once() == 0
    assert (state(db).parked, state(db).refused, state(db).due_hours) == (0, True, 1)


def test_after_a_failure_it_waits_longer_each_time_and_as_long_as_it_is_asked(db: Database) -> None:
    tries: list[datetime] = []
    clock = SetClock(T0)

    class Busy:
        def write(self, lines: Sequence[str]) -> Answer:
            tries.append(clock.now())
            return answer_of(429, "too many", {"Retry-After": "40"} if len(tries) == 4 else {})

    keep(db, reading(0))
    mirror = Mirror(db, clock, Busy())
    for _ in range(700):
        mirror.run_once()
        clock.time += timedelta(seconds=1)
    waits = [(b - a).total_seconds() for a, b in pairwise(tries)]
    assert waits == [1, 2, 4, 40, 16, 32, 64, 128, 256]


def test_the_daemon_mirrors_what_comes_in_and_says_in_readyz_when_it_cannot(
    influx: Influx, bucket: str, tmp_path: Path, embedded_broker: EmbeddedBroker
) -> None:
    token = tmp_path / "token"
    token.write_text(f"{TOKEN}\n")
    given = {
        "database": {"url": f"sqlite:///{tmp_path}/d.sqlite3"},
        "broker": {"port": embedded_broker.port, "protocol": "3.1.1"},
        "web": {"port": 0},
        "mirror": {"url": influx.url, "bucket": bucket, "token_file": str(token), "every_s": 1},
    }
    Database.open(given["database"]["url"]).close()
    db = Database.open(given["database"]["url"])
    keep(db, reading(0))
    daemon = Daemon(Settings.model_validate(given))
    daemon.start()
    try:
        wait_until(lambda: influx.rows(bucket, COUNT) != [], "the reading is mirrored")
        assert httpx.get(f"{daemon.url}readyz", timeout=30).text == "ready\n"
        influx.stop_server()
        keep(db, reading(10))
        wait_until(lambda: "502" in httpx.get(f"{daemon.url}readyz", timeout=30).text, "readyz says so")
        answer = httpx.get(f"{daemon.url}readyz", timeout=30)
        assert answer.status_code == 200  # the daemon itself is well
        assert "the mirror takes nothing" in answer.text
    finally:
        influx.start()
        daemon.stop()
        db.close()


def test_the_command_shows_how_it_stands_and_sends_again(
    influx: Influx, db: Database, bucket: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "monitord.toml"
    config.write_text(
        f'[database]\nurl = "sqlite:///{tmp_path}/m.sqlite3"\n'
        f'[mirror]\nurl = "{influx.url}"\nbucket = "{bucket}"\ntoken = "{TOKEN}"\n'
    )
    command = ["--config", str(config), "mirror"]
    keep(db, reading(0), reading(70))
    with db.write() as conn:
        stored.settle_hours(conn, stored.due_hours(conn, 10))
        stored.park(conn, [("line", "400: wrong")], T0)
        stored.note_problem(conn, "502: away", T0, refused=False)
    assert main([*command, "show"]) == 0
    shown = capsys.readouterr().out
    assert "takes nothing since 2025-03-01T00:00:00Z: 502: away" in shown
    assert "due: 0 hours of probes, 0 assessments; refused lines: 1" in shown
    assert main([*command, "parked"]) == 0
    assert "400: wrong" in capsys.readouterr().out
    assert main([*command, "again"]) == 0
    assert "due: 2 hours" in capsys.readouterr().out
    assert state(db).parked == 0
    with db.write() as conn:
        stored.switch_off(conn)
    assert main([*command, "show"]) == 1
    assert "there is no mirror" in capsys.readouterr().err


def test_doctor_tells_how_the_mirror_stands(influx: Influx, db: Database, bucket: str, tmp_path: Path) -> None:
    mirror = {"url": influx.url, "bucket": bucket, "token": "wrong"}
    settings = Settings.model_validate({"database": {"url": f"sqlite:///{tmp_path}/m.sqlite3"}, "mirror": mirror})

    def told() -> list[str]:
        return [f"{check.mark}: {check.text} {check.remedy}" for check in _mirror(settings)]

    assert "gets every reading once the daemon runs" in told()[0]
    with db.write() as conn:
        stored.switch_on(conn, settings.mirror.target)
        stored.park(conn, [("line", "400: wrong")], T0)
    keep(db, reading(0))
    fine, parked = told()
    assert fine.startswith("ok")
    assert "1 hours of probes" in fine
    assert "1 lines are refused, the newest: 400: wrong" in parked
    Mirror(db, SetClock(T0), Server(settings.mirror)).run_once()
    assert "401" in told()[0]
    assert "mirror.token" in told()[0]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"url": "http://here:8086"}, "without a bucket"),
        ({"url": "here:8086", "bucket": "b"}, "url"),
        ({"token": "a", "token_file": "b"}, "not both"),
    ],
)
def test_a_mirror_that_is_half_set_is_refused(given: dict[str, str], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        MirrorSettings.model_validate(given)


@pytest.mark.parametrize(
    ("url", "clear"),
    [("http://influx.example.org:8086", True), ("https://influx.example.org", False), ("http://127.0.0.1:8086", False)],
)
def test_doctor_notes_a_token_that_goes_over_a_network_in_the_clear(tmp_path: Path, url: str, clear: bool) -> None:
    mirror = {"url": url, "bucket": "b", "token": "t"}
    settings = Settings.model_validate({"database": {"url": f"sqlite:///{tmp_path}/none.sqlite3"}, "mirror": mirror})
    assert any("in the clear" in check.text for check in _mirror(settings)) is clear


def test_a_token_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"token of \[mirror\]"):
        MirrorSettings(token_file=tmp_path / "none").secret()
