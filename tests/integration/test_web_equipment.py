"""Equipment through the application: set up, emptied, moved, taken out; on pages, in evidence and report."""

from __future__ import annotations

import io
import zipfile
from datetime import timedelta

import pypdf
import pytest
import web_support as support

from monitord.model.access import Role
from monitord.model.damage import Ventilation, VentilationEffect
from monitord.model.quantity import Quantity
from monitord.store.access import audit
from monitord.store.assessments import save_assessment

JOB = "mill-lane-4"
PATH = f"/jobs/{JOB}/equipment"
MACHINE = {"kind": "dehumidifier", "name": "DH 7", "location": "living-air", "rated": "25", "time": "now"}


def test_a_machine_is_set_up_emptied_and_taken_out(site: support.Site) -> None:
    client = site.client(Role.TECHNICIAN)
    pressed = {"pressed": "2026-11-24T07:00:00Z"}
    for _ in range(2):  # a phone that heard no answer sends it again
        assert client.post(f"{PATH}/new", data=MACHINE | pressed, follow_redirects=False).status_code == 303
    (item,) = site.job().equipment
    assert (item.id, item.label, item.rated_l_per_day, item.by) == ("dh-7", "DH 7", 25.0, "Test technician")
    site.clock.at += timedelta(days=2)
    amounts = {"w-dh-7": "9,5", "pressed": "2026-11-26T07:00:00Z"}
    for _ in range(2):
        assert client.post(PATH, data=amounts, follow_redirects=False).status_code == 303
    page = client.get(PATH).text
    assert "9.5\u00a0L taken out" in page
    assert "4.8\u00a0L a day between the last two records, 19 % of its rating" in page
    job_page = client.get(f"/jobs/{JOB}").text
    assert "1 machine on site; 9.5\u00a0L of water taken out." in job_page
    assert client.post(f"{PATH}/out", data={"machine": "dh-7"}, follow_redirects=False).status_code == 303
    assert client.post(f"{PATH}/out", data={"machine": "dh-7"}, follow_redirects=False).status_code == 404
    assert site.job().equipment[0].to_time == site.clock.at
    timeline = client.get(f"/jobs/{JOB}").text
    assert "DH 7 taken out, Living room air" in timeline
    assert "DH 7 set up, Living room air" in timeline
    with site.db.read() as conn:
        what = [entry.what for entry in audit.entries(conn, job=JOB)]
    assert what == ["took equipment out", "recorded water taken out", "set up equipment"]


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ({"name": " "}, "Give the machine a name"),
        ({"location": "nowhere"}, "Choose where it stands"),
        ({"location": "yard"}, "stands in the outdoor air"),
        ({"kind": "toaster"}, "Choose what it does"),
        ({"rated": "many"}, "“many” is not a number"),
        ({"rated": "2500"}, "is not between 0 and 1000"),
        ({"time": "then", "at": "2027-01-01T00:00"}, "lies in the future"),
        ({"time": "then", "at": "2026-01-01T00:00"}, "before the job began"),
    ],
)
def test_a_machine_that_can_not_be_is_refused_with_the_reason(
    site: support.Site, typed: dict[str, str], why: str
) -> None:
    answer = site.client().post(f"{PATH}/new", data=MACHINE | typed, follow_redirects=False)
    assert answer.status_code == 422
    assert why in answer.text
    assert site.job().equipment == ()


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ({"w-dh-7": "201"}, "is not between 0 and 200"),
        ({"w-dh-7": "-1"}, "is not between 0 and 200"),
        ({"w-dh-7": "90", "how-dh-7": "meter"}, "shows less than before. A meter counts up"),
        ({}, "No amount was typed"),
    ],
)
def test_an_impossible_amount_is_refused_with_the_reason(site: support.Site, typed: dict[str, str], why: str) -> None:
    client = site.client()
    client.post(f"{PATH}/new", data=MACHINE)
    site.clock.at += timedelta(days=1)
    client.post(PATH, data={"w-dh-7": "100", "how-dh-7": "meter"})
    before = site.job()
    site.clock.at += timedelta(days=1)
    answer = client.post(PATH, data=typed, follow_redirects=False)
    assert answer.status_code == 422
    assert why in answer.text
    assert site.job() == before


def test_a_machine_that_is_set_up_in_another_room_leaves_the_first(site: support.Site) -> None:
    client = site.client()
    client.post(f"{PATH}/new", data=MACHINE)
    site.clock.at += timedelta(hours=2)
    client.post(f"{PATH}/new", data=MACHINE | {"location": "hall"})
    assert [(item.id, item.location_id, item.to_time) for item in site.job().equipment] == [
        ("dh-7", "living-air", site.clock.at),
        ("dh-7", "hall", None),
    ]


def test_what_the_air_carried_out_stands_beside_the_tanks_once_the_volume_is_known(site: support.Site) -> None:
    client, where = site.client(), f"/jobs/{JOB}/locations/living-air/edit"
    client.post(f"{PATH}/new", data=MACHINE | {"time": "then", "at": "2026-11-22T07:20"})
    client.post(PATH, data={"w-dh-7": "9.6"})
    water = Quantity(value=2400.0, u=100.0, unit="g")  # a day's at one change an hour of 50 m3
    advice = Ventilation(
        room="living-air", outdoor="yard", at=support.NOW, effect=VentilationEffect.DRIES, difference=None, water=None,
        air_changes_per_h=1.0, volume=Quantity(value=50.0, unit="m³"), day_difference=None, day_share=None,
        day_water=water, condenses_on=None, condenses_probability=None,
    )  # fmt: skip
    assessed = support.assessment().model_copy(update={"ventilation": (advice,)})
    with site.db.write() as conn:
        save_assessment(conn, assessed)
    assert "Water that left each room" not in client.get(PATH).text
    refused = client.post(where, data={"name": "Living room air", "volume": "0"}, follow_redirects=False)
    assert (refused.status_code, site.job().location("living-air").volume_m3) == (422, None)
    client.post(where, data={"name": "Living room air", "volume": "100"})
    page = client.get(PATH).text.replace("\u00a0", " ")
    # twice the room: 4.8 ± 0.4 L a day at one change an hour; a tenth of the least to the most of it
    assert "carried out 0.4 to 5.2 L in the last day, at 0.1 to 1 air changes an hour of 100 m³" in page
    assert "4.8 L a day between the last two records" in page
    assert "5.2 to 10.0 L a day" in page
    client.post(where, data={"name": "Living room air", "volume": "100", "changes": "0,5"})
    page = client.get(PATH).text.replace("\u00a0", " ")
    assert "carried out 2.2 to 2.6 L in the last day, at 0.5 air changes an hour of 100 m³" in page


def test_readers_of_us_units_type_and_read_pints(site: support.Site) -> None:
    site.settings = support.Settings.model_validate({"web": {"units": "us"}})
    client = site.client()
    client.post(f"{PATH}/new", data=MACHINE | {"rated": "70"})
    rated = site.job().equipment[0].rated_l_per_day
    assert rated == pytest.approx(70 * 0.473176473)  # NIST SP 811, appendix B.8: liquid pint in litres
    assert "70.0\u00a0pt a day" in client.get(PATH).text


def test_charts_mark_it_and_evidence_and_report_hold_it(site: support.Site) -> None:
    client = site.client()
    at = {"time": "then", "at": "2026-11-20T08:00"}
    client.post(f"{PATH}/new", data=MACHINE | at)
    client.post(PATH, data={"w-dh-7": "9.5"})
    site.put(support.readings_of(support.MILL_LANE.probes[0], step_s=3600.0))
    for where in ("living-air", "utility"):
        assert "DH 7 set up" in client.get(f"/jobs/{JOB}/locations/{where}?span=all").text, where
    with zipfile.ZipFile(io.BytesIO(client.get(f"/jobs/{JOB}/evidence.zip").content)) as pack:
        table = pack.read("equipment.csv").decode()
    assert "dh-7,DH 7,dehumidifier,living-air,2026-11-20T08:00:00Z,,25.0,2026-11-24T07:20:00Z,9.5,," in table
    report = pypdf.PdfReader(io.BytesIO(client.get(f"/jobs/{JOB}/report.pdf").content))
    text = " ".join(" ".join(page.extract_text() for page in report.pages).split())
    for part in ("Equipment", "DH 7", "25.0 L", "9.5 L"):
        assert part in text, part
