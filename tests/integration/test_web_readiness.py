"""The page of the verdicts: what stands there, signing off on it, and what is refused."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import icalendar
import pypdf
import pytest
from analysis_series import START
from evidence_support import DAYS, end, job, readings
from web_support import OWN_HOST, Site, empty_site

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.readiness.criteria_files import built_in
from monitord.model.readiness.verdict import Verdict
from monitord.pipeline import assess_pending
from monitord.report.readings_archive import archive_readings, restore_readings
from monitord.report.verify import Checked, verify
from monitord.store.jobs import apply_job, close_job
from monitord.store.signoffs import signoffs
from monitord.web.charts.series import Window

PAGE = "/jobs/house/readiness"
FORM = {"origin": f"http://{OWN_HOST}"}


def made(folder: Path, rh_pct: float = 72.0, **slab: object) -> Site:
    site = empty_site(folder)
    with site.db.write() as conn:
        apply_job(conn, job(**slab))
    site.put(readings(rh_pct))
    site.clock.at = end()
    assert not assess_pending(site.db, site.clock, default_rule_book(), AnalysisOptions()).failed
    return site


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    found = made(tmp_path)
    yield found
    found.db.close()


def text_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_a_ready_slab_says_so_with_every_criterion_its_source_and_whose_limit(site: Site) -> None:
    page = text_of(site.client().get(PAGE).text)
    assert "Ready as of" in page
    assert "9 of 9 pass." in page
    assert "Limit 80 % RH by its manufacturer (data sheet)" in page
    assert "72.0 ± 2.3 % RH" in page  # ± 2 % RH, rectangular: u 1.15, k = 2
    assert "ASTM F2170, clause 10.1" in page
    assert "Confirm in the edition you work to" in page
    assert "asbestos" in page


def test_a_default_limit_is_named_as_one(tmp_path: Path) -> None:
    site = made(tmp_path, covering={"name": "vinyl sheet"})
    page = text_of(site.client().get(PAGE).text)
    assert "Ready as of" in page  # 72 + 2.3 <= 75
    assert "The manufacturer’s limit is not given: the default of the criteria stands in." in page
    site.db.close()


def test_a_slab_that_is_not_ready_says_what_would_make_it_pass_and_when(tmp_path: Path) -> None:
    site = made(tmp_path, rh_pct=84.0, area_m2=None)
    page = text_of(site.client().get(PAGE).text)
    assert "Not ready. Earliest" in page
    assert "77.7 % RH or less." in page  # 80 less 2 · 1.15
    assert "State the area in the job." in page
    assert 'value="ready"' not in site.client().get(PAGE).text
    assert "Not ready. Not before" in text_of(site.client().get(PAGE.removesuffix("/readiness")).text)  # the job's page
    site.db.close()


def test_signing_off_and_withdrawing_stay_on_the_page(site: Site) -> None:
    client = site.client()
    wish = {"element": "slab", "statement": "ready", "by": "A. Byrne", "role": "floor layer", "reading": "71 %"}
    answer = client.post(f"{PAGE}/sign", data=wish, headers=FORM, follow_redirects=False)
    assert answer.status_code == 303
    assert "Signed off as ready by A. Byrne, floor layer" in text_of(client.get(PAGE).text)
    with site.db.read() as conn:
        number = signoffs(conn, "house")[0].id
    answer = client.post(f"{PAGE}/withdraw", data={"number": number, "why": "wrong glue"}, headers=FORM)
    page = text_of(answer.text)
    assert "by Test owner: wrong glue" in page
    again = client.post(f"{PAGE}/withdraw", data={"number": number, "why": "again"}, headers=FORM)
    assert again.status_code == 409


@pytest.mark.parametrize(
    ("path", "data", "status"),
    [
        ("sign", {"element": "slab", "statement": "ready", "by": ""}, 422),
        ("sign", {"element": "slab", "statement": "perhaps", "by": "A"}, 422),
        ("sign", {"element": "roof", "statement": "seen", "by": "A"}, 422),
        ("withdraw", {"number": 7, "why": "b"}, 404),
        ("withdraw", {"number": 7, "why": " "}, 422),
    ],
)
def test_what_can_not_be_signed_is_refused_and_nothing_is_kept(
    site: Site, path: str, data: dict[str, object], status: int
) -> None:
    assert site.client().post(f"{PAGE}/{path}", data=data, headers=FORM).status_code == status
    with site.db.read() as conn:
        assert signoffs(conn, "house") == []


def test_a_form_from_elsewhere_is_refused(site: Site) -> None:
    wish = {"element": "slab", "statement": "ready", "by": "A. Byrne"}
    answer = site.client().post(f"{PAGE}/sign", data=wish, headers={"origin": "http://elsewhere.example"})
    assert answer.status_code == 403


def test_the_jobs_page_leads_to_it_and_an_unknown_job_has_none(site: Site) -> None:
    assert PAGE in site.client().get("/jobs/house").text
    assert site.client().get("/jobs/nowhere/readiness").status_code == 404


def test_report_pack_and_calendar_can_be_taken_from_the_page(site: Site) -> None:
    client = site.client()
    page = client.get(PAGE).text
    for name in ("report.pdf", "evidence.zip", "dates.ics"):
        assert f"/jobs/house/{name}" in page
    report = client.get("/jobs/house/report.pdf")
    assert report.headers["content-type"] == "application/pdf"
    assert "Drying report: house" in pypdf.PdfReader(io.BytesIO(report.content)).pages[0].extract_text()
    checked = verify(client.get("/jobs/house/evidence.zip").content)
    assert isinstance(checked, Checked)
    assert [r.verdict for r in checked.readiness] == [Verdict.READY]
    assert client.get("/jobs/nowhere/report.pdf").status_code == 404


def test_the_calendar_is_read_by_a_library_and_holds_the_earliest_date_and_the_checks(tmp_path: Path) -> None:
    site = made(tmp_path, rh_pct=84.0)
    answer = site.client().get("/jobs/house/dates.ics")
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    events = {str(e["summary"]): e for e in icalendar.Calendar.from_ical(answer.content).walk("VEVENT")}
    assert events["Ready at the earliest: slab"]["dtstart"].dt == (end() + timedelta(days=1)).date()
    due = (START - timedelta(days=10) + timedelta(days=365)).date()
    assert events["Calibration check due: p-s1"]["dtstart"].dt == due
    assert events["Calibration check due: p-s1"]["dtend"].dt == due + timedelta(days=1)
    site.db.close()


def test_a_job_whose_readings_are_archived_says_so_and_what_needs_them_names_the_pack(
    site: Site, tmp_path: Path
) -> None:
    with site.db.write() as conn:
        close_job(conn, "house", end())
    site.clock.at = end() + timedelta(days=30)
    assert assess_pending(site.db, site.clock, default_rule_book(), AnalysisOptions()).assessed == ("house",)
    pack = archive_readings(site.db, "house", tmp_path / "packs", site.clock.at, built_in(), AnalysisOptions()).file
    client = site.client()
    for page in ("/jobs/house", "/jobs/house/locations/s1"):
        answer = client.get(page)
        assert answer.status_code == 200
        assert f"{len(readings())} in {pack}" in text_of(answer.text)
    assert "72.0 ± 2.3 % RH" in text_of(client.get(PAGE).text)
    with site.db.read() as conn:
        drawn = Window(conn, job(), START, end(), AnalysisOptions()).series("s1")
    assert len(drawn.values) == 24 * DAYS, "charts go by the hour"
    location = "/jobs/house/locations/s1/readings"
    for path in ("/jobs/house/report.pdf", "/jobs/house/evidence.zip", f"/api{location}", f"{location}.csv"):
        refused = client.get(path)
        assert refused.status_code == 503
        assert pack in refused.text
    restore_readings(site.db, tmp_path / "packs" / pack)
    assert "archived" not in client.get("/jobs/house").text
