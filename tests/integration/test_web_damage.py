"""What the drying could harm, on the pages: charts with their words and tables, sentences, spot readings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from html import escape
from pathlib import Path

import numpy as np
import pytest
import web_support as support
from english import ENGLISH
from starlette.testclient import TestClient

from monitord.analysis.assess import assess_job
from monitord.model.assessments import JobAssessment
from monitord.model.jobs import JobFile
from monitord.model.site.spots import Spot, SpotKind
from monitord.store.assessments import save_assessment
from monitord.store.jobs import apply_job
from monitord.store.series.records import load_job_record
from monitord.text.catalogue import language
from monitord.text.damage import mould_sentence, timber_sentence, ventilation_sentence
from monitord.text.speaker import Speaker

HALL = "/jobs/mill-lane-4/locations/hall"
SPOTS = (
    Spot(
        location_id="hall",
        at=support.START + timedelta(days=3, hours=4),
        kind=SpotKind.WOOD_MOISTURE,
        value=24.0,
        correction=0.5,
        corrected_for="spruce, 15 °C",
        instrument="pin meter <insulated>",
        by="R. Okafor",
    ),
    Spot(
        location_id="reveal",
        at=support.START + timedelta(days=5),
        kind=SpotKind.SURFACE_TEMPERATURE,
        value=11.8,
        u=0.7,
    ),
)
JOB: JobFile = support.MILL_LANE.model_copy(update={"spots": SPOTS})


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, JobAssessment]]:
    """Mill Lane 4 with spot readings and the assessment that the program itself makes of it."""
    made = support.empty_site(tmp_path_factory.mktemp("damage"))
    with made.db.write() as conn:
        apply_job(conn, JOB)
    for placement in JOB.probes:
        made.put(support.readings_of(placement, step_s=1800.0))
    with made.db.read() as conn:
        assessed = assess_job(JOB, load_job_record(conn, JOB, support.NOW), support.NOW)
    with made.db.write() as conn:
        save_assessment(conn, assessed)
    yield made.client(), assessed
    made.db.close()


def test_a_void_has_charts_of_excess_mould_and_timber_each_with_its_table(
    site: tuple[TestClient, JobAssessment],
) -> None:
    page = site[0].get(HALL + "?span=all").text
    assert re.findall(r'<figure class="inside" id="fig-(\w+)"', page) == [
        "rh",
        "vp",
        "temperature",
        "water",
        "excess",
        "mould",
        "timber",
    ]
    assert page.count("The same as a table, day by day") == 3
    for words in ("1: under a microscope", "3: seen with the eye", "caution 20", "if it was soaked"):
        assert words in page
    days = page.split('id="days-timber"')[1].split("</table>")[0]
    assert days.count('<th scope="row">') == 21  # local days from 4 to 24 November
    assert "Spot readings: 24 ± 4 % MC on Sat 7 Nov 10:00 GMT." in page.replace("\u00a0", " ")


def test_a_chart_ends_with_what_is_said_beside_it(site: tuple[TestClient, JobAssessment]) -> None:
    client, assessed = site
    location = assessed.at("hall")
    assert location is not None
    assert location.mould is not None
    assert location.wood is not None
    query = "trace=hall:mould_index&trace=hall:timber_moisture&trace=hall:timber_equilibrium&maximum=5000"
    mould, timber, air = client.get(f"/api/jobs/mill-lane-4/series?{query}").json()["traces"]
    at = int(location.mould.at.timestamp() * 1000)
    assert mould["mean"][mould["time_ms"].index(at)] == pytest.approx(location.mould.index, abs=1e-4)
    assert timber["mean"][timber["time_ms"].index(at)] == pytest.approx(location.wood.value.value, abs=1e-4)
    assert timber["u"][timber["time_ms"].index(at)] == pytest.approx(location.wood.value.u, abs=1e-4)
    assert location.wood.equilibrium == pytest.approx(
        float(np.mean(air["mean"][air["time_ms"].index(at) - 23 :][:24])), abs=1e-3
    )
    speaker = Speaker(language(), JOB.zone, support.NOW, tied=True)
    assert escape(mould_sentence(speaker, location.mould)) in client.get(HALL).text
    assert escape(timber_sentence(speaker, location.wood)) in client.get(HALL).text


def test_an_excess_is_the_difference_of_both_airs_readings(site: tuple[TestClient, JobAssessment]) -> None:
    """Two readings an hour: an hour's median is their mean, and vapour pressure is all but linear between them."""
    query = "trace=hall:vapour_pressure_over_room&trace=hall:vapour_pressure&trace=living-air:vapour_pressure"
    over, own, room = site[0].get(f"/api/jobs/mill-lane-4/series?{query}&maximum=5000").json()["traces"]
    end = over["time_ms"][100]
    means = [
        np.mean([v for t, v in zip(s["time_ms"], s["mean"], strict=True) if end - 3_600_000 <= t < end])
        for s in (own, room)
    ]
    assert over["mean"][100] == pytest.approx(means[0] - means[1], abs=1.0)
    assert over["unit"] == "Pa"
    assert over["u"][100] > 15.0


def test_a_place_without_timber_has_no_timber_and_asks_for_none(site: tuple[TestClient, JobAssessment]) -> None:
    client, _ = site
    page = client.get("/jobs/mill-lane-4/locations/living-air").text
    assert 'id="fig-timber"' not in page
    assert 'id="fig-excess"' in page  # over outdoors
    assert client.get("/api/jobs/mill-lane-4/series?trace=living-air:timber_moisture").json()["traces"][0]["mean"] == []


def test_what_was_measured_by_hand_is_listed_with_what_was_stated(site: tuple[TestClient, JobAssessment]) -> None:
    page = site[0].get(HALL).text
    rows = page.split('id="spots"')[1].split("</section>")[0]
    for words in ("24.0\u00a0% MC", "24.5\u00a0% MC, for spruce, 15 °C", "pin meter &lt;insulated&gt;", "R. Okafor"):
        assert words in rows
    reveal = site[0].get("/jobs/mill-lane-4/locations/reveal?span=all").text
    assert '<circle class="spot"' in reveal
    assert "Spot readings: 11.8 ± 1.4 °C on Mon 9 Nov 06:00 GMT." in reveal.replace("\u00a0", " ")


def test_whether_to_open_the_windows_stands_on_the_job_page_and_on_the_rooms(
    site: tuple[TestClient, JobAssessment],
) -> None:
    client, assessed = site
    (advice,) = assessed.ventilation
    said = escape(ventilation_sentence(replace(ENGLISH, tied=True), advice))
    for path in ("/jobs/mill-lane-4", "/jobs/mill-lane-4/locations/living-air"):
        assert said in client.get(path).text
    assert said not in client.get(HALL).text


def test_a_job_that_was_never_assessed_has_no_estimates(tmp_path: Path) -> None:
    made = support.empty_site(tmp_path)
    with made.db.write() as conn:
        apply_job(conn, JOB)
    page = made.client().get(HALL)
    assert page.status_code == 200
    assert 'id="fig-timber"' not in page.text
    assert 'id="damage"' not in page.text
    made.db.close()
