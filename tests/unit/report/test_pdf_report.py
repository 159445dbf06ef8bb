"""The report as PDF: opened again, its text, tags and fonts read; nothing a person wrote is run."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import time
from pathlib import Path

import numpy as np
import pypdf
import pytest
from analysis_series import START
from evidence_support import end, evidence, job
from PIL import Image

from monitord.analysis.assess import assess_job
from monitord.errors import ConfigurationError
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.jobs import Calibration, JobFile
from monitord.model.readiness.criteria_files import built_in
from monitord.model.series import JobRecord, PlacementRecord, Series, roll_up_by
from monitord.model.site.plan import Plan, PlanPoint
from monitord.model.units import Units
from monitord.report.document import Contents, document, report_speaker
from monitord.report.drawings import drawings
from monitord.report.pdf import pdf_report
from monitord.report.readings_file import readings_text, record_from
from monitord.store.notes import Note
from monitord.text.states import NAMES


def contents(rh_pct: float = 72.0, units: Units = Units.METRIC, language_name: str = "en", **slab: object) -> Contents:
    held = evidence(rh_pct, **slab)
    speaker = report_speaker(held.job, units, language_name)
    record = record_from(readings_text(held.rows), held.job, held.as_of)
    return Contents(
        job=held.job,
        assessment=assess_job(held.job, record, held.as_of, AnalysisOptions()),
        criteria=built_in(),
        alerts=(),
        signoffs=(),
        drawings=drawings(held.job, record, held.as_of, {"s1": 80.0}, speaker),
        made_at=end(),
        firm="Byrne & Sons <b> #panic() $x$",
        units=units,
        speaker=speaker,
    )


@pytest.fixture(scope="module")
def made() -> bytes:
    return pdf_report(contents())


def opened(data: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(data))


def text_of(data: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in opened(data).pages).split())


def test_it_says_the_verdict_its_criteria_instruments_and_cautions(made: bytes) -> None:
    text = text_of(made)
    for part in (
        "Drying report: house", "Ready as of", "9 of 9 pass", "72.0 ± 2.3 % RH", "ASTM F2170, clause 10.1",
        "Confirm in the edition you work to", "p-s1", "Not signed off", "asbestos", "no covering manufacturer",
    ):  # fmt: skip
        assert part in text, part


def test_it_is_tagged_titled_and_its_pictures_have_texts(made: bytes) -> None:
    root = opened(made).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"].value
    assert "/StructTreeRoot" in root
    assert root["/Lang"] == "en"
    assert opened(made).metadata.title == "Drying report: house"
    assert b"pdfuaid" in made
    kinds = {str(tag["/S"]) for tag in tags(root["/StructTreeRoot"])}
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/Figure"} <= kinds
    figures = [tag for tag in tags(root["/StructTreeRoot"]) if tag["/S"] == "/Figure"]
    assert len(figures) == 4
    assert all("Relative humidity" in str(tag["/Alt"]) for tag in figures)


def tags(node: object) -> list[pypdf.generic.DictionaryObject]:
    found = []
    stack = [node]
    while stack:
        at = stack.pop()
        at = at.get_object() if hasattr(at, "get_object") else at
        if isinstance(at, list):
            stack.extend(at)
        elif isinstance(at, dict):
            if "/S" in at:
                found.append(at)
            if "/K" in at:
                stack.append(at["/K"])
    return found


def test_every_font_is_inside_it(made: bytes) -> None:
    fonts = [font.get_object() for page in opened(made).pages for font in page["/Resources"].get("/Font", {}).values()]
    assert fonts
    for font in fonts:
        below = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
        embedded = below["/FontDescriptor"].get_object()
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(embedded)
        assert "Libertinus" in str(font["/BaseFont"])


def test_what_people_write_stays_text(made: bytes) -> None:
    text = text_of(made)
    assert "Byrne & Sons <b> #panic() $x$" in text
    assert "=HYPERLINK(1)" in text


def test_the_same_contents_give_the_same_bytes(made: bytes) -> None:
    assert pdf_report(contents()) == made


def test_american_units_reach_the_report() -> None:
    text = text_of(pdf_report(contents(units=Units.US)))
    assert "63.5 °F" in text  # the spot reading of 17.5 °C
    assert "17.5 °C" not in text


def test_the_report_is_there_in_german() -> None:
    data = pdf_report(contents(rh_pct=84.0, language_name="de", area_m2=None))
    text = text_of(data)
    assert opened(data).trailer["/Root"]["/Lang"] == "de"
    for part in (
        "Trocknungsbericht: house",
        "Nicht bereit",
        "84,0 ± 2,3 % r. F.",
        "Vorsicht",
        "Fläche im Auftrag angeben",
    ):
        assert part in text, part
    for part in ("Not ready", "Drying report", "Pass ", "Measured"):
        assert part not in text, part


def test_a_default_limit_and_a_slab_that_is_not_ready_are_said(made: bytes) -> None:
    text = text_of(pdf_report(contents(rh_pct=84.0, covering={})))
    assert "Not ready. Earliest" in text
    assert "default of the criteria stands in" in text


def test_a_logo_stands_on_it_and_a_wrong_one_is_refused(tmp_path: Path) -> None:
    logo = tmp_path / "mark.svg"
    logo.write_text('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 10 5"><path d="M0 0h10v5H0z"/></svg>')
    held = io.BytesIO()
    Image.new("RGB", (60, 90), "white").save(held, "JPEG")
    points = tuple(PlanPoint(location=one.id, x=x, y=990) for one, x in zip(job().locations, (10, 995), strict=False))
    plan = Plan(photo=hashlib.sha256(held.getvalue()).hexdigest(), points=points)
    known = contents()
    known = dataclasses.replace(known, job=known.job.model_copy(update={"plan": plan}), plan=held.getvalue())
    data = pdf_report(known, logo)
    figures = [tag for tag in tags(opened(data).trailer["/Root"]["/StructTreeRoot"]) if tag["/S"] == "/Figure"]
    assert len(figures) == 6
    _, _, after = text_of(data).partition(" Plan ")
    for point in points:
        stands = known.assessment.at(point.location)
        assert stands is not None
        assert f"{known.job.location(point.location).label} {NAMES[stands.state]}" in after
    with pytest.raises(ConfigurationError, match="no picture that a report takes"):
        pdf_report(contents(), tmp_path / "mark.gif")
    with pytest.raises(ConfigurationError, match="can't be read"):
        pdf_report(contents(), tmp_path / "none.png")


def test_sixty_days_and_twenty_locations_take_under_ten_seconds() -> None:
    small = job()
    document = small.model_dump(mode="json", by_alias=True)
    sleeve = document["locations"][1]
    document["locations"] += [{**sleeve, "id": f"x{n}"} for n in range(16)]
    document["probes"] += [{**document["probes"][1], "id": f"p-x{n}", "location_id": f"x{n}"} for n in range(16)]
    many = JobFile.model_validate(document)
    hours = START.timestamp() + 3600.0 * np.arange(60 * 24)
    noise = np.random.default_rng(1)
    placements, plain = [], np.ones(len(hours))
    for placement in many.probes:
        rh = 90.0 - 10.0 * np.arange(len(hours)) / len(hours) + noise.normal(0, 0.1, len(hours))
        series = Series(hours, 20.0 * plain, rh, np.nan * plain, 3.0 * plain, hours)
        recent, last = series.at(series.time_s > hours[-73]), float(hours[-1])
        placements.append(PlacementRecord(placement, recent, roll_up_by(hours, series), last))
    record, as_of = JobRecord(tuple(placements)), end().replace(month=3, day=11)
    begun = time.process_time()
    drawn = drawings(many, record, as_of, {}, report_speaker(many))
    assert len(drawn) == 20
    small_contents = contents()
    pdf = pdf_report(Contents(**{**vars(small_contents), "job": many, "drawings": drawn}))
    assert len(opened(pdf).pages) > 8
    assert time.process_time() - begun < 10.0


def test_everyone_on_record_with_the_job_is_named_with_what_they_did() -> None:
    plain = contents()
    assert len(document(plain, None)["facts"]) == 6
    spot = plain.job.spots[0].model_copy(update={"by": "K. Lund"})
    check = Calibration(probe="p-s1", at=START, by="A. Byrne")
    made = Note(id=1, location=None, at=START, by="K. Lund", text="Wet at the door", photos=())
    job_of_people = plain.job.model_copy(update={"spots": (spot, spot), "calibrations": (check,)})
    named = document(dataclasses.replace(plain, job=job_of_people, notes=(made,)), None)["facts"]
    assert named[-1] == ["People", "A. Byrne (checks of probes); K. Lund (spot readings, notes)"]
