"""Clocks that jump, hours that come twice, and a program that was down: what was raised stays, and nothing comes twice.

What is stored is in UTC, and `as_of` is the only time an assessment knows, so that a jump of the wall clock can at most
move `as_of`. The house is invented; times of the clock changes are those of the tz database.
"""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.alerts import AlertStatus
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.pipeline import AssessmentCaches, assess_pending, mark_running
from monitord.store import alerts as stored_alerts
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job
from monitord.store.series.readings import insert_batch

RULES, OPTIONS = default_rule_book(), AnalysisOptions()
WINTER = datetime(2025, 1, 10, tzinfo=UTC)
STEP = timedelta(minutes=10)


class SetClock:
    """A clock that stands where the test puts it."""

    def __init__(self, time: datetime) -> None:
        self.time = time

    def now(self) -> datetime:
        return self.time

    def wait_s(self, duration_s: float) -> float:
        return duration_s


def air(since: datetime, hours: float, humidity_pct: float) -> list[Reading]:
    """A room near 22 °C and outdoors near -5 °C: at 70 % the room's cold surface is wet, at 35 % it is dry."""
    found = []
    for i in range(1, int(hours * 6) + 1):
        t = since + i * STEP
        sway = random.Random(t.timestamp()).uniform(-1.0, 1.0)
        for probe, celsius, humidity in (
            ("a1", 22.0 + 0.1 * sway, humidity_pct + 0.4 * sway),
            ("b1", -5.0 + 0.2 * sway, 85.0 - 0.6 * sway),
        ):
            found.append(
                Reading(probe=probe, time=t, temperature_c=celsius, relative_humidity_pct=humidity, received_at=t)
            )
    return found


class House:
    """A store with one job of a room and the outdoor air, and a clock."""

    def __init__(self, folder: Path, at: datetime) -> None:
        self.db = Database.open(f"sqlite:///{folder}/m.sqlite3")
        self.clock, self.caches = SetClock(at), AssessmentCaches()

    def begin(self, zone: str = "UTC") -> None:
        """Apply the job, from now on."""
        start = self.clock.time
        placements = [
            {"id": probe, "location_id": where, "from": start, "interval_s": 600}
            for probe, where in (("a1", "room"), ("b1", "yard"))
        ]
        job = {
            "job": "J1",
            "start": start,
            "timezone": zone,
            "locations": [{"id": "room", "kind": "room_air", "f_rsi": 0.6}, {"id": "yard", "kind": "outdoor_air"}],
            "probes": placements,
        }
        with self.db.write() as conn:
            apply_job(conn, JobFile.model_validate(job))

    def arrive(self, readings: Sequence[Reading], at: datetime | None = None) -> None:
        """Readings land, each when it was taken, or all of them at a time."""
        with self.db.write() as conn:
            insert_batch(conn, [r if at is None else r.model_copy(update={"received_at": at}) for r in readings])

    def assess(self, at: datetime) -> None:
        self.clock.time = at
        mark_running(self.db, self.clock)
        assert not assess_pending(self.db, self.clock, RULES, OPTIONS, self.caches).failed

    def live(self, readings: Sequence[Reading], every: timedelta = STEP) -> None:
        """They arrive at their times, and the job is assessed as often as that."""
        due = readings[0].time
        for time in sorted({r.time for r in readings}):
            self.arrive([r for r in readings if r.time == time])
            if time >= due:
                self.assess(time)
                due = time + every

    def status(self, kind: str) -> AlertStatus | None:
        with self.db.read() as conn:
            found = {a.kind: a.status for a in stored_alerts.current_alerts(conn, "J1")}
        return found.get(kind)

    def steps(self) -> Counter[tuple[str, int, str]]:
        """How often each alert was opened and closed."""
        with self.db.read() as conn:
            events = stored_alerts.events(conn, job="J1")
        return Counter((e.fingerprint, e.episode, e.event) for e in events if e.event in ("opened", "closed"))


@pytest.fixture(scope="module")
def six_hours(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store whose house has been wet for six hours, with the alert open."""
    folder = tmp_path_factory.mktemp("wet")
    house = House(folder, WINTER)
    house.begin()
    house.live(air(WINTER, 6, 70.0), every=timedelta(minutes=30))
    assert house.status("condensation") is AlertStatus.OPEN
    house.db.close()
    return folder / "m.sqlite3"


@pytest.fixture
def wet(six_hours: Path, tmp_path: Path) -> Iterator[House]:
    """A copy of it."""
    shutil.copy(six_hours, tmp_path)
    made = House(tmp_path, WINTER + timedelta(hours=6))
    yield made
    made.db.close()


def test_a_clock_that_is_set_back_closes_nothing_and_raises_nothing_twice(wet: House) -> None:
    now = wet.clock.time
    before = wet.steps()
    for hours in (3.0, 2.0, 1.0, 0.5):
        wet.assess(now - timedelta(hours=hours))
        assert wet.status("condensation") is AlertStatus.OPEN
    assert wet.steps() == before
    wet.live(air(now, 2, 70.0), every=timedelta(minutes=30))
    assert wet.steps() == before
    wet.live(air(now + timedelta(hours=2), 27, 35.0), every=timedelta(hours=2))
    assert wet.status("condensation") is AlertStatus.CLOSED
    assert set(wet.steps().values()) == {1}


def test_a_clock_that_is_set_forward_by_a_day_is_no_end_of_an_alert_and_its_silence_ends_with_the_next_reading(
    wet: House,
) -> None:
    """A day ahead everything seems silent; nobody can say more of the surface, so its alert stays."""
    now = wet.clock.time
    wet.assess(now + timedelta(days=1))
    assert wet.status("condensation") is AlertStatus.OPEN
    assert wet.status("probe_silent") is AlertStatus.OPEN
    wet.live(air(now, 26, 70.0), every=timedelta(hours=2))
    assert wet.status("condensation") is AlertStatus.OPEN
    assert wet.status("probe_silent") is AlertStatus.CLOSED
    assert set(wet.steps().values()) == {1}


def test_after_three_days_down_an_alert_is_still_open_and_the_backlog_ends_it_once(wet: House) -> None:
    down_from = wet.clock.time
    back = down_from + timedelta(days=3)
    wet.assess(back)
    assert wet.status("condensation") is AlertStatus.OPEN, "no reading says that it is over"
    wet.arrive(air(down_from, 72, 35.0), at=back)
    for minutes in range(0, 90, 30):
        wet.assess(back + timedelta(minutes=minutes))
    wet.live(air(back + timedelta(minutes=60), 26, 35.0), every=timedelta(hours=2))
    assert wet.status("condensation") is AlertStatus.CLOSED
    steps = wet.steps()
    assert set(steps.values()) == {1}
    assert len({fingerprint for fingerprint, _, _ in steps}) <= 4, "one about the surface, and of silence at most"


@pytest.mark.parametrize("change", [datetime(2025, 3, 30, 1, tzinfo=UTC), datetime(2025, 10, 26, 1, tzinfo=UTC)])
def test_a_change_of_the_clocks_is_no_event(change: datetime, tmp_path: Path) -> None:
    """Europe/London, both ways (tz database): an hour of the wall clock is missing or comes twice, none of UTC does."""
    start = change - timedelta(hours=4)
    house = House(tmp_path, start)
    house.begin("Europe/London")
    house.live(air(start, 7, 70.0), every=timedelta(minutes=30))
    opened = house.steps()
    assert house.status("condensation") is AlertStatus.OPEN
    assert house.status("probe_silent") is None
    assert set(opened.values()) == {1}
    house.db.close()
