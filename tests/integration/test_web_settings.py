"""Channels tried from their page, locations edited, mistaken jobs deleted, and changes by command on record."""

from __future__ import annotations

import os
from datetime import timedelta
from pathlib import Path

import pytest
import web_support as support
from sqlalchemy import select

from monitord.alerts.sending.channels.base import ChannelError
from monitord.cli import main
from monitord.model.access import Role
from monitord.model.job_files.defaults import JobDefaults
from monitord.model.jobs import Accuracy, Calibration, Goal, GoalMetric, Location, LocationKind
from monitord.model.messages import OutboxState
from monitord.model.site.spots import SpotGoal, SpotKind
from monitord.store import alerts as stored_alerts
from monitord.store import notes, outbox
from monitord.store.access import audit
from monitord.store.db.database import Database
from monitord.store.db.tables import metadata
from monitord.store.jobs import apply_job, get_job, job_defaults

JOB = "mill-lane-4"
HALL = f"/jobs/{JOB}/locations/hall/edit"
CHANNELS, DEFAULTS = "/settings/channels", "/settings/defaults"
ALERTS = {
    "channels": [{"name": "mail", "url": "log://"}, {"name": "sms", "url": "log://", "form": "short"}],
    "people": [
        {"id": "anna", "name": "Anna", "ways": [{"channel": "mail"}, {"channel": "sms"}]},
        {"id": "ben", "ways": [{"channel": "mail"}]},
    ],
}


@pytest.fixture
def site(site: support.Site) -> support.Site:
    site.settings = support.Settings.model_validate({"alerts": ALERTS})
    return site


def last_change(site: support.Site) -> tuple[str, str, str | None]:
    with site.db.read() as conn:
        entry = audit.entries(conn)[0]
    return entry.what, entry.detail, entry.job


# --- channels -------------------------------------------------------------------------------------------------


def test_a_test_message_goes_by_one_way_and_the_page_says_what_came_of_it(site: support.Site) -> None:
    client = site.client()
    page = client.get(CHANNELS).text
    assert page.count("Send a test by") == 3
    answer = client.post(f"{CHANNELS}/test", data={"person": "anna", "channel": "sms"}, follow_redirects=False)
    where = answer.headers["location"]
    (message,) = where.partition("?sent=")[2].split("&sent=")
    with site.db.read() as conn:
        entry = outbox.get_entry(conn, message)
    assert entry is not None
    assert (entry.message.person, entry.message.channel, entry.state) == ("anna", "sms", OutboxState.WAITING)
    assert "anna, sms: on its way" in client.get(where).text
    assert "Not tried yet" in client.get(where).text
    with site.db.write() as conn:
        outbox.record_sent(conn, entry.message, site.clock.now())
    assert "anna, sms: sent" in client.get(where).text
    assert last_change(site) == ("sent a test message", "to anna by sms", None)


def test_what_went_wrong_is_said(site: support.Site) -> None:
    client = site.client()
    where = client.post(f"{CHANNELS}/test", data={"person": "ben", "channel": "mail"}, follow_redirects=False).headers
    error = ChannelError("the mail server refused it: 550 no such user <ben>")
    now = site.clock.now()
    with site.db.write() as conn:
        entry = outbox.get_entry(conn, where["location"].partition("?sent=")[2])
        assert entry is not None
        outbox.record_attempt(conn, entry.message.id)
        outbox.record_failure(conn, entry.message, now, error.message, now + timedelta(minutes=1))
    page = client.get(where["location"]).text
    assert "550 no such user &lt;ben&gt;" in page
    assert "1 try." in page


@pytest.mark.parametrize("wish", [{"person": "nobody", "channel": "mail"}, {"person": "ben", "channel": "sms"}])
def test_nobody_is_tried_who_is_not_reached_that_way(site: support.Site, wish: dict[str, str]) -> None:
    assert site.client().post(f"{CHANNELS}/test", data=wish).status_code == 404
    with site.db.read() as conn:
        assert outbox.undeliverable(conn) == []
        assert audit.entries(conn) == []


def test_without_people_the_page_says_where_they_are_set(site: support.Site) -> None:
    site.settings = support.Settings()
    assert "Nobody is sent alerts yet" in site.client().get(CHANNELS).text


# --- a location, edited ---------------------------------------------------------------------------------------

GOAL = {"name": "Hall void", "reference": "living-air", "metric": "rh_pct", "limit": "68,5", "window": "48"}


def test_name_reference_and_goals_of_a_location_are_changed(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    spot = {"spot_kind": "wme_pct", "spot_limit": "4", "spot_control": "bed"}
    assert client.post(HALL, data=GOAL | spot, follow_redirects=False).status_code == 303
    hall = site.job().location("hall")
    assert (hall.name, hall.reference) == ("Hall void", "living-air")
    assert hall.goal == Goal(metric=GoalMetric.RH, limit=68.5, window_h=48.0)
    assert hall.spot_goal == SpotGoal(kind=SpotKind.WOOD_EQUIVALENT, limit=4.0, control="bed")
    assert last_change(site)[:2] == (
        "changed a location",
        "Hall void: rh_pct 68.5, wme_pct 4, compared with living-air",
    )
    page = client.get(HALL).text
    for held in ('value="68.5"', 'value="48"', 'value="Hall void"', '<option value="wme_pct" selected>'):
        assert held in page, held
    assert client.post(HALL, data={"name": "Hall void"}, follow_redirects=False).status_code == 303
    hall = site.job().location("hall")
    assert (hall.goal, hall.spot_goal, hall.reference) == (None, None, None)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"name": ""}, "Give the location a name"),
        ({"limit": ""}, "Give the limit"),
        ({"limit": "dry"}, "“dry” is not a number"),
        ({"limit": "0.65"}, "looks like a ratio"),
        ({"metric": "equilibrium_rh_pct"}, "does not suit a subfloor_void location"),
        ({"metric": "dryness"}, "Choose what the goal is of"),
        ({"metric": "rh_over_control_pct"}, "Choose the control"),
        ({"metric": "rh_over_control_pct", "control": "hall"}, "is not another location"),
        ({"reference": "hall"}, "is its own reference"),
        ({"reference": "nowhere"}, "is not a location of this job"),
        ({"spot_kind": "surface_temperature_c", "spot_limit": "9"}, "no goal of drying"),
        ({"spot_kind": "wme_pct"}, "Give the limit"),
    ],
)
def test_what_would_mislead_is_refused_and_nothing_changes(
    site: support.Site, change: dict[str, str], why: str
) -> None:
    answer = site.client().post(HALL, data=GOAL | change)
    assert answer.status_code == 422
    assert why in answer.text
    assert site.job() == support.MILL_LANE


def test_air_has_no_goal_to_edit(site: support.Site) -> None:
    path = f"/jobs/{JOB}/locations/living-air/edit"
    assert 'name="metric"' not in site.client().get(path).text
    site.client().post(path, data={"name": "Lounge", "metric": "rh_pct", "limit": "50"})
    assert (site.job().location("living-air").name, site.job().location("living-air").goal) == ("Lounge", None)


# --- defaults -------------------------------------------------------------------------------------------------

USUAL = {
    "timezone": "Europe/Helsinki",
    "elevation": "12",
    "valid": "180",
    "goal-slab_sleeve": "75",
    "goal-subfloor_void": "65",
    "goal-material": "16",
    "u_temperature": "0.2",
    "u_humidity": "1.5",
    "interval": "5",
    "criteria": "in-situ-rh-72h",
    "guard": "1.5",
    "t_min": "18",
    "t_max": "24",
    "h_min": "35",
    "h_max": "60",
}


def test_what_is_new_begins_with_the_firms_defaults_and_a_form_may_say_otherwise(site: support.Site) -> None:
    client = site.client()
    assert "The usual goal" not in client.get(f"/jobs/{JOB}/place").text
    for _ in range(2):
        assert client.post(DEFAULTS, data=USUAL, follow_redirects=False).status_code == 303
    with site.db.read() as conn:
        (entry,) = audit.entries(conn)
    assert (entry.what, '"guard_factor":1.5' in entry.detail) == ("changed the defaults", True)
    page = client.get(DEFAULTS).text
    assert all(f'name="{name}"' in page and f'value="{value}"' in page for name, value in USUAL.items())
    form = client.get("/new-job").text
    assert all(f'value="{USUAL[name]}"' in form for name in ("timezone", "elevation", "valid"))
    head = {name: USUAL[name] for name in ("timezone", "elevation", "valid")}
    client.post("/new-job", data=head | {"name": "Quay 9", "kind": "flood"}, follow_redirects=False)
    made = site.job("quay-9")
    void = made.location("void-under-the-floor")
    assert (made.timezone, made.calibration_valid_d, void.goal) == (
        "Europe/Helsinki",
        180.0,
        Goal(metric=GoalMetric.RH, limit=65.0),
    )
    assert "slab 75 % RH; void 65 % RH; timber 16 % MC; else recorded only" in client.get("/jobs/quay-9/place").text
    goals = {}
    for name, kind, more in (
        ("Joist", "material", {"goal_by": "usual"}),
        ("Beam", "material", {"goal_by": "own", "goal": "18"}),
        ("Sill", "material", {"goal_by": "none", "goal": "18"}),
        ("Corner", "surface", {"goal_by": "usual"}),
    ):
        typed = {"probe": f"N-{name}", "place": "new", "name": name, "kind": kind, "time": "now"}
        assert client.post("/jobs/quay-9/place", data=typed | more, follow_redirects=False).status_code == 303
        goal = site.job("quay-9").location(name.lower()).goal
        goals[name] = None if goal is None else (goal.metric.value, goal.limit)
    assert goals == {"Joist": ("timber_mc_pct", 16.0), "Beam": ("timber_mc_pct", 18.0), "Sill": None, "Corner": None}
    (joist,) = site.job("quay-9").placements_at("joist")
    assert (joist.interval_s, joist.accuracy.relative_humidity_pct) == (300.0, 1.5)
    slab = client.get("/jobs/quay-9/slabs/new").text
    assert 'value="in-situ-rh-72h" checked' in slab
    assert all(f'name="{name}"' in slab and f'value="{USUAL[name]}"' in slab for name in ("guard", "t_max", "h_min"))


def test_a_probe_that_is_moved_keeps_what_is_known_of_it(site: support.Site) -> None:
    client = site.client()
    known = support.MILL_LANE.probes[6].model_copy(
        update={"interval_s": 900.0, "accuracy": Accuracy(temperature_c=0.1)}
    )
    correction = Calibration(
        probe=known.probe, at=support.NOW - timedelta(days=2), relative_humidity_correction_pct=1.4
    )
    job = support.MILL_LANE.model_copy(
        update={
            "probes": tuple(known if p.probe == known.probe else p for p in support.MILL_LANE.probes),
            "calibrations": (correction,),
        }
    )
    with site.db.write() as conn:
        apply_job(conn, job)
        apply_job(conn, job.model_copy(update={"job": "quay-9", "probes": (), "calibrations": ()}))
    typed = {"probe": known.probe, "place": "hall", "time": "now", "move": "1"}
    unseen = client.post("/jobs/quay-9/place", data=typed)
    assert unseen.status_code == 422
    assert "Tick both cautions before a hole is drilled" in unseen.text, "it is the first probe of that void"
    seen = typed | {"electricity": "1", "asbestos": "1"}
    assert client.post("/jobs/quay-9/place", data=seen, follow_redirects=False).status_code == 303
    moved = site.job("quay-9")
    (there,) = moved.placements_at("hall")
    assert (there.interval_s, there.accuracy, moved.calibrations) == (900.0, known.accuracy, (correction,))


def test_of_many_locations_those_with_a_probe_fold_away_until_one_is_chosen(site: support.Site) -> None:
    client, more = site.client(), [Location(id=f"v{n}", kind=LocationKind.SUBFLOOR_VOID) for n in range(4)]
    with site.db.write() as conn:
        apply_job(conn, site.job().model_copy(update={"locations": (*support.LOCATIONS, *more)}))
    page = client.get(f"/jobs/{JOB}/place").text
    before, _, folded = page.partition('<details class="how" id="taken">')
    assert "9 locations with a probe" in folded
    assert before.count('name="place"') == 5, "four without a probe, and a new one"
    assert before.count('class=" drills"') == 4
    wrong = client.post(f"/jobs/{JOB}/place", data={"probe": "", "place": "hall", "time": "now"}).text
    assert '<details class="how" id="taken" open>' in wrong


NO_DEFAULTS = (
    ({"timezone": "Mars/Base"}, "not an IANA time zone"),
    ({"elevation": "9000"}, "is not between"),
    ({"goal-cavity": "0.65"}, "is not between 1 and 100"),
    ({"goal-cavity": "1.2"}, "no limit in per cent"),
    ({"u_humidity": ""}, "or neither"),
    ({"criteria": "dry-to-goal"}, "Choose criteria"),
    ({"guard": "7"}, "is not between 0 and 3"),
    ({"t_max": ""}, "or none of the four"),
)


def test_a_default_that_can_not_be_is_refused_and_nothing_is_kept(site: support.Site) -> None:
    client = site.client()
    for typed, why in NO_DEFAULTS:
        answer = client.post(DEFAULTS, data=USUAL | typed)
        assert (answer.status_code, why in answer.text) == (422, True), (typed, why)
        assert 'value="180"' in answer.text, "what was typed stays"
    with site.db.read() as conn:
        assert job_defaults(conn) == JobDefaults()


# --- a mistaken job -------------------------------------------------------------------------------------------


def test_a_mistaken_job_goes_with_all_that_hangs_on_it_and_its_readings_stay(tmp_path: Path) -> None:
    site = support.mill_lane(tmp_path, step_s=14_400.0)
    with site.db.write() as conn:
        notes.add_note(conn, JOB, None, site.clock.now(), "A", "key", [])
    client = site.client()
    client.post(f"/jobs/{JOB}/share", data={"given_to": "H", "days": "30"})
    with site.db.read() as conn:
        readings = conn.execute(select(metadata.tables["reading"])).all()
    answer = client.post(f"/jobs/{JOB}/delete", data={"name": "Mill Lane"})
    assert answer.status_code == 422
    assert "Nothing was deleted" in answer.text
    assert site.client(Role.TECHNICIAN).post(f"/jobs/{JOB}/delete", data={"name": "Mill Lane 4"}).status_code == 403
    assert client.post(f"/jobs/{JOB}/delete", data={"name": " Mill Lane 4"}, follow_redirects=False).status_code == 303
    with site.db.read() as conn:
        assert get_job(conn, JOB) is None
        assert stored_alerts.open_alerts(conn) == []
        for name, table in metadata.tables.items():
            if "job" in table.c and name not in ("audit", "outbox_item"):
                assert conn.execute(select(table).where(table.c.job == JOB)).all() == [], name
        assert conn.execute(select(metadata.tables["reading"])).all() == readings
    assert last_change(site)[0::2] == ("deleted a job", JOB)
    for path in ("/", "/alerts", "/probes", "/settings/changes"):
        assert client.get(path).status_code == 200, path
    assert "K7-01" in client.get("/probes").text.split('id="held"')[0], "heard, and placed nowhere"
    site.db.close()


# --- changes by command -----------------------------------------------------------------------------------------


def test_what_commands_change_is_on_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.upper().startswith("MONITORD_")]:
        monkeypatch.delenv(name)
    url = f"sqlite:///{tmp_path}/audit.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", url)
    file = tmp_path / "a-job.toml"
    file.write_text('job = "j"\nstart = 2026-01-01T00:00:00Z\n[[locations]]\nid = "v"\nkind = "cavity"\n')
    for _ in range(2):
        assert main(["job", "apply", str(file)]) == 0
    spot = ["job", "spot", "j", "v", "--wood", "18", "--at", "2026-01-02T00:00:00Z"]
    assert main(spot) == main(spot) == 0
    assert main(["job", "spots", "j", "--remove", "1"]) == 0
    assert main(["job", "close", "j", "--at", "2026-01-03T00:00:00Z"]) == 0
    database = Database.open(url)
    with database.read() as conn:
        found = audit.entries(conn, job="j")
    database.close()
    assert [(entry.what, entry.detail) for entry in found[::-1]] == [
        ("applied a job file", "created, from a-job.toml"),
        ("took spot readings", "wood_moisture_pct at v"),
        ("took a spot reading out", "wood_moisture_pct 18 at v"),
        ("ended a job", "2026-01-03T00:00:00Z"),
    ]
    assert all(entry.who.endswith(", command line") for entry in found)
