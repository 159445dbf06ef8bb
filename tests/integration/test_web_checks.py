"""Checks of probes as guided forms: begun, waited for, judged as the command judges, recorded and then applied.

The fixed point is that of Greenspan 1977 (J. Res. NBS 81A:89), his table: sodium chloride at 20 °C, 75.47 % RH.
"""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
import web_support as support

from monitord.model.access import Role
from monitord.model.readings import Reading
from monitord.model.site.checks import ProbeCheck
from monitord.store.access import audit
from monitord.store.jobs import apply_job, with_site_records

JOB = "mill-lane-4"
PATH = f"/jobs/{JOB}/checks"
FIXED_POINT = 75.47
A, B, C = (placement.probe for placement in support.MILL_LANE.probes[:3])


def in_a_box(site: support.Site, hours: float, **humidity: float) -> None:
    """Each probe reads its own humidity at 20 °C from now on, and time goes on."""
    start, steps = site.clock.at, round(hours * 12)
    for probe, rh in humidity.items():
        times = [start + timedelta(minutes=5 * step) for step in range(steps)]
        site.put(
            [Reading(probe=probe, time=t, temperature_c=20.0, relative_humidity_pct=rh, received_at=t) for t in times]
        )
    site.clock.at = start + timedelta(hours=hours)


def test_a_probe_over_a_salt_is_begun_judged_recorded_and_placed_again(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    began = {"kind": "salt", "salt": "NaCl", "probe": A, "leave": "1", "pressed": site.clock.at.isoformat()}
    for _ in range(2):  # a phone that heard no answer sends it again
        answer = client.post(PATH, data=began, follow_redirects=False)
        assert answer.headers["location"] == f"{PATH}/1"
    assert [p.to_time for p in site.job().probes if p.probe == A] == [site.clock.at], "it counts for no location"
    assert "The box was closed just now." in client.get(f"{PATH}/1").text
    in_a_box(site, 1.0, **{A: FIXED_POINT + 4.0})
    assert "too few readings in the last two hours" in client.get(f"{PATH}/1").text
    assert client.post(f"{PATH}/1/record").status_code == 409
    in_a_box(site, 12.0, **{A: FIXED_POINT + 4.0})
    page = client.get(f"{PATH}/1").text
    assert f"{A} reads 79.5 % RH over sodium chloride, which holds 75.5 ± " in page
    assert re.search(rf"{A}: humidity −(3\.99|4\.0[01]) % RH", page)
    assert client.post(f"{PATH}/1/record", follow_redirects=False).status_code == 303
    (made,), (calibration,) = site.job().checks, site.job().calibrations
    assert made.to_time == calibration.at == site.clock.at
    assert calibration.relative_humidity_correction_pct == pytest.approx(-4.0, abs=0.02)
    assert (calibration.method, calibration.by) == ("saturated salt, sodium chloride", "Test technician")
    page = client.get(f"{PATH}/1").text
    assert "Recorded" in page
    assert f"/jobs/{JOB}/place?probe={A}" in page
    with site.db.read() as conn:
        assert [entry.what for entry in audit.entries(conn, job=JOB)] == [
            "recorded a check of probes",
            "began a check of probes",
        ]


def test_of_three_side_by_side_the_one_that_differs_is_named_and_may_be_corrected(site: support.Site) -> None:
    client = site.client()
    client.post(PATH, data={"kind": "side_by_side", "probe": [A, B, C]})
    in_a_box(site, 2.5, **{A: 50.0, B: 50.4, C: 58.0})
    page = client.get(f"{PATH}/1").text
    assert f"{C} reads 7.8 ±" in page
    assert "% RH too high in humidity" in page
    client.post(f"{PATH}/1/record")
    (calibration,) = site.job().calibrations
    assert (calibration.probe, round(calibration.relative_humidity_correction_pct, 1)) == (C, -7.8)


def test_a_check_that_is_opened_proposes_nothing_more_and_stays_on_record(site: support.Site) -> None:
    client = site.client()
    client.post(PATH, data={"kind": "side_by_side", "probe": [A, B]})
    in_a_box(site, 2.5, **{A: 50.0, B: 50.2})
    client.post(f"{PATH}/1/end")
    page = client.get(f"{PATH}/1").text
    assert "they agree in temperature" in page
    assert "No correction is needed." in page
    assert site.job().calibrations == ()
    assert "Side by side" in client.get(PATH).text
    assert client.get(f"{PATH}/2").status_code == 404


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ({"kind": "side_by_side"}, "No probe was chosen. Tick those"),
        ({"kind": "side_by_side", "probe": [A]}, "needs two probes at least"),
        ({"kind": "salt", "salt": "sugar", "probe": [A]}, "has no fixed points here"),
        ({"kind": "salt", "salt": "NaCl", "probe": ["stranger"]}, "was never placed in this job"),
        ({"kind": "weighing", "probe": [A]}, "kind"),
    ],
)
def test_a_check_that_can_not_be_is_refused_with_the_reason(
    site: support.Site, typed: dict[str, str | list[str]], why: str
) -> None:
    answer = site.client().post(PATH, data=typed)
    assert answer.status_code == 422
    assert why in answer.text
    assert site.job().checks == ()


def test_a_probe_is_in_one_check_at_a_time(site: support.Site) -> None:
    client = site.client()
    client.post(PATH, data={"kind": "side_by_side", "probe": [A, B]})
    answer = client.post(PATH, data={"kind": "salt", "salt": "NaCl", "probe": [B]})
    assert f"Probe &#39;{B}&#39; is in another check. End that one first" in answer.text
    assert len(site.job().checks) == 1


def test_the_inventory_leads_to_the_checks_and_says_when_a_probe_was_checked(site: support.Site) -> None:
    site.put(support.readings_of(support.MILL_LANE.probes[0], step_s=3600.0))
    page = site.client().get("/probes").text
    assert f'<a href="{PATH}">no check on record</a>' in page
    checked = support.MILL_LANE.probes[0].model_copy(update={"calibrated_at": support.START - timedelta(days=30)})
    with site.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"probes": (checked, *support.MILL_LANE.probes[1:])}))
    assert f'<a href="{PATH}">5 Oct</a>' in site.client().get("/probes").text


def test_many_probes_fold_by_job_and_a_label_says_where_its_probe_stands(site: support.Site) -> None:
    client, hour = site.client(), support.NOW - timedelta(hours=1)
    loose = [support.Placement(probe=f"L-{n}", location_id="nowhere", from_time=hour) for n in range(9)]
    placed = [one.model_copy(update={"from_time": hour}) for one in support.MILL_LANE.probes[:2]]
    for placement in (*loose, *placed):
        site.put(support.readings_of(placement, step_s=3600.0))
    page = client.get("/probes").text
    folds = re.findall(r'<details class="fold" id="of-[^>]*><summary><b>([^<]*)</b><span>([^<]*)<', page)
    assert folds == [("Mill Lane 4", "2 probes; longest without a reading: K7-02, ")]
    client.post(f"/jobs/{JOB}/place", data={"probe": "L-0", "place": "hall", "time": "now"})
    waiting = re.findall(r'type="radio" name="probe" value="(L-[^"]*)"', client.get(f"/jobs/{JOB}/place").text)
    assert waiting == [f"L-{n}" for n in range(1, 9)], "what was just placed waits no more"
    assert "at Kitchen, outside wall cavity now; it is moved" in client.get(f"/jobs/{JOB}/place?probe=K7-07").text
    with site.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"job": "abbey", "name": "Abbey Road", "probes": ()}))
    which = client.get("/place?probe=K7-07").text
    assert re.findall(r'<li><p><a class="button" href="[^"]*">([^<]*)</a>', which) == ["Mill Lane 4", "Abbey Road"]
    assert "It is there now, at Kitchen, outside wall cavity." in which


def test_applying_a_file_keeps_the_checks(site: support.Site) -> None:
    made = ProbeCheck.model_validate({"kind": "side_by_side", "probes": (A, B), "from": site.clock.at})
    with site.db.write() as conn:
        apply_job(conn, support.MILL_LANE.model_copy(update={"checks": (made,)}))
        assert with_site_records(conn, support.MILL_LANE).checks == (made,)
