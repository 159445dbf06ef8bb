"""A job with known readings, a hand-made assessment and alerts in a real store, and the dashboard over it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from playwright.sync_api import StorageState
from sqlalchemy import delete, update
from starlette.testclient import TestClient

from monitord.daemon.web_server import WebServer
from monitord.model.access import Role
from monitord.model.alerts import Alert, AlertEvent, AlertStatus, Severity, fingerprint
from monitord.model.assessments import (
    Comparison,
    Drying,
    Equilibrium,
    Finding,
    Flow,
    Forecast,
    JobAssessment,
    LocationAssessment,
    QualityFlag,
    Quantity,
    State,
    SurfaceRisk,
    SurfaceSource,
)
from monitord.model.config.settings import Settings
from monitord.model.facts import Cause, Facts, FaultFacts, FaultReason, FindingKind, Truth
from monitord.model.jobs import Goal, GoalMetric, JobFile, Location, LocationKind, Placement
from monitord.model.readings import Reading
from monitord.store.access import people, sessions
from monitord.store.access.digests import digest_of
from monitord.store.alerts import add_events, save_alerts
from monitord.store.assessments import save_assessment
from monitord.store.db.access_tables import session
from monitord.store.db.database import Database
from monitord.store.jobs import apply_job, get_job
from monitord.store.quarantine import put
from monitord.store.series.readings import insert_batch
from monitord.web.app import create_app
from monitord.web.middleware.gate import form_token
from monitord.web.routes.health import AssessMemory, no_memory

NOW = datetime(2026, 11, 24, 7, 20, tzinfo=UTC)
START = datetime(2026, 11, 4, 6, 0, tzinfo=UTC)
GAP = (datetime(2026, 11, 12, 8, 0, tzinfo=UTC), datetime(2026, 11, 13, 0, 0, tzinfo=UTC))
"""No readings of the utility room cavity."""
OWN_HOST = "127.0.0.1:8080"
BROWSER_SECRET = "a-browser-of-the-tests"


def signed_in_state(secret: str = BROWSER_SECRET) -> StorageState:
    """What a browser context holds that is signed in at whatever port of this machine a test serves on."""
    return {
        "cookies": [
            {
                "name": "monitord",
                "value": secret,
                "domain": "127.0.0.1",
                "path": "/",
                "expires": -1,
                "httpOnly": True,
                "secure": False,
                "sameSite": "Lax",
            }
        ],
        "origins": [],
    }


SIGNED_IN = signed_in_state()


@dataclass
class HandClock:
    """A clock that a test sets."""

    at: datetime = NOW
    factor: float = 1.0

    def now(self) -> datetime:
        """The time it was set to."""
        return self.at

    def wait_s(self, duration_s: float) -> float:
        """Real seconds for simulated ones."""
        return duration_s / self.factor


def rh_goal(limit: float) -> Goal:
    """A goal in relative humidity."""
    return Goal(metric=GoalMetric.RH, limit=limit)


LOCATIONS = (
    Location(id="living-air", name="Living room air", kind=LocationKind.ROOM_AIR),
    Location(id="yard", name="Outside", kind=LocationKind.OUTDOOR_AIR),
    Location(
        id="utility",
        name="Utility room, outside wall cavity",
        kind=LocationKind.CAVITY,
        reference="living-air",
        goal=rh_goal(70),
    ),
    Location(
        id="hall",
        name="Hall, timber floor void",
        kind=LocationKind.SUBFLOOR_VOID,
        reference="living-air",
        goal=rh_goal(65),
    ),
    Location(id="bath", name="Bathroom, floor void", kind=LocationKind.SUBFLOOR_VOID, reference="living-air"),
    Location(
        id="sleeve",
        name="Living room slab, sleeve 1",
        kind=LocationKind.SLAB_SLEEVE,
        depth_mm=40,
        slab_thickness_mm=100,
        drying_sides=1,
        goal=Goal(metric=GoalMetric.EQUILIBRIUM_RH, limit=75),
    ),
    Location(
        id="kitchen",
        name="Kitchen, outside wall cavity",
        kind=LocationKind.CAVITY,
        reference="living-air",
        goal=rh_goal(70),
    ),
    Location(
        id="bed",
        name="Bedroom, party wall cavity",
        kind=LocationKind.CAVITY,
        reference="living-air",
        goal=rh_goal(70),
    ),
    Location(id="reveal", name="Bedroom, window reveal", kind=LocationKind.SURFACE, reference="living-air"),
)

MILL_LANE = JobFile(
    job="mill-lane-4",
    name="Mill Lane 4",
    timezone="Europe/London",
    elevation_m=40,
    start=START,
    locations=LOCATIONS,
    probes=tuple(
        Placement(probe=f"K7-{n:02d}", location_id=location.id, from_time=START)
        for n, location in enumerate(LOCATIONS, start=1)
    ),
)


def course(location: str, days: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Temperature, humidity and surface temperature at a place over days since the start. [°C], [%], [°C]"""
    daily, noise = np.sin(2 * np.pi * (days - 0.375)), np.random.default_rng(len(location)).normal(0, 0.12, len(days))
    none = np.full(len(days), np.nan)
    match location:
        case "living-air":
            return 21 + 0.8 * daily, 49.5 - 4 * daily + 2 * noise, none
        case "yard":
            return 8 + 2.5 * daily, 86 - 7 * daily + 4 * noise, none
        case "utility":
            fall = 77 + 16 * np.exp(-days / 6)
            return 19 + 0.4 * daily, fall + 3.2 * np.clip(days - 17.8, 0, 2.2) + noise, none
        case "hall":
            return 15 + 0.3 * daily, 79 + 17 * np.exp(-days / 5) + noise, none
        case "sleeve":
            return 18.9 + 0.2 * daily, 88 + 9 * np.exp(-days / 7) + 0.3 * noise, none
        case "reveal":
            return 19 + 0.8 * daily, 62 + 5 * daily + noise, 12.6 + 2.2 * daily
        case "bed":
            return 20 + 0.4 * daily, 66.5 + 24 * np.exp(-days / 5) + noise, none
    return 19 + 0.4 * daily, 77 + 21 * np.exp(-days / 8) + noise, none


def readings_of(placement: Placement, until: datetime = NOW, step_s: float = 600.0) -> list[Reading]:
    """What a probe reported from the start of its stay."""
    seconds = np.arange(0.0, (until - placement.from_time).total_seconds(), step_s)
    t, rh, surface = course(placement.location_id, seconds / 86_400.0)
    found = []
    for s, a, b, c in zip(seconds, t, rh, surface, strict=True):
        time = placement.from_time + timedelta(seconds=float(s))
        silent = placement.location_id == "bath" and time > NOW - timedelta(hours=7)
        if silent or (placement.location_id == "utility" and GAP[0] < time < GAP[1]):
            continue
        found.append(
            Reading(
                probe=placement.probe,
                time=time,
                temperature_c=round(float(a), 2),
                relative_humidity_pct=round(float(b), 1),
                surface_temperature_c=None if np.isnan(c) else round(float(c), 2),
                battery_v=2.95,
                rssi_dbm=-71.0,
                gateway="gw-1",
                received_at=time + timedelta(seconds=20),
            )
        )
    return found


def quantity(value: float, u: float | None, unit: str) -> Quantity:
    """Shorter."""
    return Quantity(value=value, u=u, unit=unit)


RECORDED = Facts()


def drying(value: float, start: float, limit: float, since: datetime | None = None) -> Drying:
    """A course in relative humidity."""
    return Drying(
        metric="rh_pct",
        unit="% RH",
        limit=limit,
        value=quantity(value, 1.0, "% RH"),
        start_value=start,
        rate_per_day=quantity(-0.9, 0.1, "% RH"),
        since=since,
    )


def against_room(dvp: float, flow: Flow, role: str = "room", other: str = "living-air") -> Comparison:
    """A comparison."""
    return Comparison(
        against=other,
        role=role,
        at=NOW - timedelta(minutes=3),
        vapour_pressure_difference=quantity(dvp, 30, "Pa"),
        humidity_ratio_difference=quantity(dvp / 160, 0.2, "g/kg"),
        flow=flow,
    )


def location(name: str, state: State, facts: Facts, t: float, rh: float, **more: object) -> LocationAssessment:
    """An assessment of one location."""
    vp = rh / 100 * 611.2 * np.exp(17.62 * t / (243.12 + t))
    known: dict[str, object] = {
        "location": name,
        "probe": next(placement.probe for placement in MILL_LANE.probes if placement.location_id == name),
        "state": state,
        "facts": facts,
        "last_reading_at": NOW - timedelta(minutes=3),
        "temperature": quantity(t, 0.15, "°C"),
        "relative_humidity": quantity(rh, 1.0, "%"),
        "vapour_pressure": quantity(float(vp), 25, "Pa"),
        "dew_point": quantity(t - (100 - rh) / 5, 0.3, "°C"),
        "humidity_ratio": quantity(float(vp) / 160, 0.2, "g/kg"),
    }
    return LocationAssessment.model_validate(known | more)


def into_room(dvp: float) -> tuple[Comparison, ...]:
    """Vapour leaves for the room."""
    return (against_room(dvp, Flow.OUT_OF),)


def assessment() -> JobAssessment:
    """The assessment of Mill Lane 4, one location of each kind of state."""
    day = timedelta(days=1)
    return JobAssessment(
        job="mill-lane-4",
        as_of=NOW - timedelta(seconds=20),
        last_reading_at=NOW - timedelta(minutes=1),
        findings=(),
        locations=(
            location(
                "living-air",
                State.RECORDED_ONLY,
                RECORDED,
                21.0,
                48.0,
                comparisons=(against_room(240, Flow.OUT_OF, "outdoors", "yard"),),
            ),
            location("yard", State.RECORDED_ONLY, RECORDED, 8.1, 88.0),
            location(
                "utility",
                State.REWETTING,
                Facts(
                    value=quantity(84.1, 1.0, "% RH"),
                    before=quantity(77.9, 1.0, "% RH"),
                    before_at=datetime(2026, 11, 22, tzinfo=UTC),
                ),
                19.4,
                84.1,
                drying=drying(84.1, 93, 70),
                comparisons=into_room(700),
            ),
            location(
                "hall",
                State.STALLED,
                Facts(
                    value=quantity(79.3, 1.0, "% RH"),
                    since=NOW - 4 * day,
                    cause=Cause.AIR_HOLDS,
                    end=quantity(77.0, None, "% RH"),
                ),
                15.1,
                79.3,
                drying=drying(79.3, 96, 65),
                forecast=Forecast(made_at=NOW, low=None, middle=None, high=None, never=True, high_never=True),
                comparisons=(against_room(40, Flow.NO_CLEAR_DIFFERENCE),),
            ),
            location(
                "bath",
                State.NO_DATA,
                Facts(value=quantity(81.0, 1.0, "% RH"), at=NOW - timedelta(hours=7)),
                18.0,
                81.0,
                last_reading_at=NOW - timedelta(hours=7),
            ),
            location(
                "sleeve",
                State.EQUILIBRATING,
                Facts(value=quantity(87.4, 1.0, "% RH"), sealed_h=41.0, needed_h=72.0),
                18.9,
                88.2,
                drying=drying(88.2, 97, 75),
                equilibrium=Equilibrium(
                    state="equilibrating",
                    predicted_rh=87.4,
                    low=86,
                    high=89,
                    clock_started=NOW - timedelta(hours=41),
                ),
                comparisons=into_room(740),
            ),
            location(
                "kitchen",
                State.DRYING,
                Facts(
                    value=quantity(77.6, 1.0, "% RH"),
                    goal=quantity(70.0, None, "% RH"),
                    rate=quantity(-0.9, 0.1, "% RH/day"),
                    low=NOW + 7 * day,
                    middle=NOW + 9 * day,
                    high=NOW + 12 * day,
                ),
                19.0,
                77.6,
                drying=drying(77.6, 98, 70),
                forecast=Forecast(
                    made_at=NOW,
                    low=NOW + 7 * day,
                    middle=NOW + 9 * day,
                    high=NOW + 12 * day,
                    never=False,
                    high_never=False,
                ),
                comparisons=into_room(510),
                flags=(
                    QualityFlag(
                        kind="stuck",
                        probe="K7-07",
                        start=START + 4 * day,
                        end=START + 5 * day,
                        why=FaultFacts(reason=FaultReason.REPEATS, value=quantity(84.2, None, "% RH")),
                    ),
                ),
            ),
            location(
                "bed",
                State.AT_GOAL,
                Facts(
                    value=quantity(66.8, 1.0, "% RH"),
                    goal=quantity(70.0, None, "% RH"),
                    since=datetime(2026, 11, 19, 6, tzinfo=UTC),
                ),
                20.2,
                66.8,
                drying=drying(66.8, 91, 70, datetime(2026, 11, 19, 6, tzinfo=UTC)),
                comparisons=into_room(390),
            ),
            location(
                "reveal",
                State.RECORDED_ONLY,
                RECORDED,
                18.6,
                60.0,
                surface=SurfaceRisk(
                    at=NOW - timedelta(minutes=3),
                    source=SurfaceSource.CONTACT,
                    surface_temperature=quantity(11.4, 0.3, "°C"),
                    dew_point=quantity(10.6, 0.4, "°C"),
                    margin=quantity(0.8, 0.5, "K"),
                    surface_rh=quantity(94.8, None, "%"),
                    probability=0.06,
                    hours_at_risk=0.0,
                    level="warn",
                ),
            ),
        ),
    )


def alert(
    kind: str, where: str, severity: Severity, opened: datetime, facts: Facts | None = None, **more: object
) -> Alert:
    """An open alert."""
    probe = "K7-05" if kind == "probe_silent" else None
    found = Finding(
        kind=FindingKind(kind),
        location=where,
        probe=probe,
        measured_at=NOW,
        truth=Truth.TRUE,
        facts=facts or Facts(),
    )
    return Alert.model_validate(
        {
            "fingerprint": fingerprint("mill-lane-4", kind, where, probe),
            "episode": 1,
            "job": "mill-lane-4",
            "kind": kind,
            "location": where,
            "probe": probe,
            "severity": severity,
            "status": AlertStatus.OPEN,
            "opened_at": opened,
            "finding": found,
            "opening": found,
            "worst": found,
        }
        | more
    )


def alerts() -> list[Alert]:
    """Three open alerts and a closed one."""
    rise = Facts(
        value=quantity(84.1, 1.0, "% RH"),
        before=quantity(77.9, 1.0, "% RH"),
        before_at=datetime(2026, 11, 22, tzinfo=UTC),
    )
    held = Facts(value=quantity(79.3, 1.0, "% RH"), goal=quantity(65.0, None, "% RH"), cause=Cause.AIR_HOLDS)
    silence = Facts(at=NOW - timedelta(hours=7), since=NOW - timedelta(hours=7), interval_s=600.0, age_s=25_200.0)
    humid = Facts(value=quantity(1710.0, 40.0, "Pa"), before=quantity(1010.0, 40.0, "Pa"))
    return [
        alert("rewetting", "utility", Severity.ACT, datetime(2026, 11, 22, 6, 10, tzinfo=UTC), rise),
        alert("drying_stalled", "hall", Severity.WATCH, datetime(2026, 11, 23, 7, 0, tzinfo=UTC), held),
        alert(
            "probe_silent",
            "bath",
            Severity.WATCH,
            datetime(2026, 11, 24, 0, 15, tzinfo=UTC),
            silence,
            status=AlertStatus.ACKNOWLEDGED,
            acknowledged_at=datetime(2026, 11, 24, 6, 50, tzinfo=UTC),
            acknowledged_by="R. Okafor",
        ),
        alert(
            "drive_lost",
            "kitchen",
            Severity.WATCH,
            datetime(2026, 11, 15, 3, 0, tzinfo=UTC),
            humid,
            status=AlertStatus.CLOSED,
            closed_at=datetime(2026, 11, 15, 18, 30, tzinfo=UTC),
            closing_reason="no longer found",
            cleared=True,
        ),
    ]


@dataclass
class Site:
    """The dashboard over a store that a test may change."""

    db: Database
    clock: HandClock = field(default_factory=HandClock)
    settings: Settings = field(default_factory=Settings)

    def client(
        self,
        role: Role | None = Role.OWNER,
        jobs: frozenset[str] | None = None,
        token: str = "",
        memory: AssessMemory = no_memory,
    ) -> TestClient:
        """A client that asks as a browser on this machine does, signed in as someone of a role (None: nobody)."""
        app = create_app(self.db, self.clock, self.settings, assess_memory=memory)
        client = TestClient(app, base_url=f"http://{OWN_HOST}", raise_server_exceptions=False)
        if token:
            client.headers["authorization"] = f"Bearer {token}"
        elif role is not None:
            secret = self.sign_in(role, jobs)
            client.cookies.set("monitord", secret)
            client.headers["x-form-token"] = form_token(secret)
        return client

    def sign_in(self, role: Role = Role.OWNER, jobs: frozenset[str] | None = None) -> str:
        """A session of someone of a role; returns the secret of its cookie."""
        who = f"test-{role.value}" + ("" if jobs is None else "-" + "-".join(sorted(jobs)))
        with self.db.write() as conn:
            if people.get_person(conn, who) is None:
                people.add_person(conn, who, f"Test {role.value}", role, jobs, self.clock.now())
            return sessions.open_session(conn, who, self.clock.now(), timedelta(days=3650))

    def admit(self, secret: str = BROWSER_SECRET, role: Role = Role.OWNER) -> None:
        """Let browsers in that hold a secret; see `signed_in_state`."""
        made = self.sign_in(role)
        with self.db.write() as conn:
            conn.execute(delete(session).where(session.c.digest == digest_of(secret)))
            changed = update(session).where(session.c.digest == digest_of(made))
            conn.execute(changed.values(digest=digest_of(secret)))

    def job(self, job_id: str = MILL_LANE.job) -> JobFile:
        """The job as it is stored now."""
        with self.db.read() as conn:
            found = get_job(conn, job_id)
        assert found is not None
        return found

    def put(self, readings: Sequence[Reading]) -> None:
        """Readings land."""
        with self.db.write() as conn:
            insert_batch(conn, readings)

    @contextmanager
    def served(self) -> Iterator[str]:
        """The dashboard on a real port, open to `SIGNED_IN`; gives its address without the last slash."""
        self.admit()
        server = WebServer(create_app(self.db, self.clock, self.settings), "127.0.0.1", 0)
        server.start()
        try:
            yield server.url.rstrip("/")
        finally:
            server.stop(3.0)


def empty_site(folder: Path) -> Site:
    """A store with nothing in it."""
    return Site(Database.open(f"sqlite:///{folder / 'web.sqlite3'}"))


def planned_site(path: Path) -> Site:
    """A site at which Mill Lane 4 is known and nothing was read yet."""
    made = empty_site(path)
    with made.db.write() as conn:
        apply_job(conn, MILL_LANE)
    return made


def mill_lane(folder: Path, step_s: float = 600.0) -> Site:
    """Mill Lane 4 on its day 21: every state, alerts open and closed, a loose probe, a payload in quarantine."""
    site = empty_site(folder)
    with site.db.write() as conn:
        apply_job(conn, MILL_LANE)
    for placement in MILL_LANE.probes:
        site.put(readings_of(placement, step_s=step_s))
    loose = Placement(probe="K7-77", location_id="nowhere", from_time=NOW - timedelta(hours=1))
    site.put(readings_of(loose))
    with site.db.write() as conn:
        save_assessment(conn, assessment())
        for item in alerts():
            save_alerts(conn, [item])
            if item.opened_at is not None:
                opened = AlertEvent(fingerprint=item.fingerprint, episode=1, at=item.opened_at, event="opened")
                add_events(conn, [opened])
        put(conn, "site/gw-2/up/x", b'{"temp": "<script>alert(1)</script>"}', NOW, "no_time", "it has no time")
    return site
