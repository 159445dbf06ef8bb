"""The commands that write reports and exports, over a real store."""

from __future__ import annotations

import csv
import io
import os
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pypdf
import pytest
from evidence_support import end, job, readings

from monitord.cli import main
from monitord.store import jobs
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch


@pytest.fixture(autouse=True)
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Database]:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)
    url = f"sqlite:///{tmp_path}/reports.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", url)
    monkeypatch.setenv("MONITORD_REPORT__FIRM", "Byrne and Sons")
    database = Database.open(url)
    with database.write() as conn:
        jobs.apply_job(conn, job())
        insert_batch(conn, readings())
    yield database
    database.close()


def test_a_report_is_written_in_the_firms_name(tmp_path: Path) -> None:
    out = tmp_path / "house.pdf"
    assert main(["report", "house", "--out", str(out)]) == 0
    text = pypdf.PdfReader(out).pages[0].extract_text()
    assert "Byrne and Sons" in text
    assert "Drying report: house" in text


def test_a_workbook_holds_every_table_and_no_formula(tmp_path: Path) -> None:
    out = tmp_path / "house.xlsx"
    assert main(["export", "house", "--out", str(out)]) == 0
    with zipfile.ZipFile(out) as book:
        sheets = [book.read(name).decode() for name in book.namelist() if name.startswith("xl/worksheets/")]
        strings = book.read("xl/sharedStrings.xml").decode()
    assert len(sheets) == 10
    assert not any("<f>" in sheet for sheet in sheets)
    assert "=HYPERLINK(1)" in strings
    assert max(sheet.count("<row ") for sheet in sheets) == len(readings()) + 1


def test_a_folder_gets_csv_files_that_read_back_as_they_were(tmp_path: Path) -> None:
    out = tmp_path / "house"
    assert main(["export", "house", "--out", str(out)]) == 0
    table = pd.read_csv(out / "readings.csv")
    assert len(table) == len(readings())
    first = readings()[0]
    row = table[(table["probe"] == first.probe)].iloc[0]
    assert row["relative humidity [%]"] == first.relative_humidity_pct
    spots = list(csv.DictReader(io.StringIO((out / "spot-readings.csv").read_text())))
    assert spots[0]["note"] == "'=HYPERLINK(1)"
    assert (out / "verdicts.csv").read_text().splitlines()[1].startswith("slab,")


def test_a_job_that_is_not_there_and_a_path_that_can_not_be_are_refused(tmp_path: Path) -> None:
    assert main(["report", "nowhere", "--out", str(tmp_path / "a.pdf")]) == 1
    assert main(["report", "house", "--out", str(tmp_path / "none" / "a.pdf")]) == 1
    (tmp_path / "file").write_text("")
    assert main(["export", "house", "--out", str(tmp_path / "file")]) == 1


def test_readings_of_a_closed_job_are_archived_and_put_back_by_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = ["job", "archive", "house", "--to", str(tmp_path / "packs")]
    assert main(archive) == 1
    assert "only the readings of a job that is closed can be archived" in capsys.readouterr().err
    assert main(["job", "close", "house", "--at", end().isoformat()]) == 0
    assert main(archive) == 0
    assert main(archive) == 0, "the same again changes nothing"
    (pack,) = (tmp_path / "packs").iterdir()
    assert f"{len(readings())} readings lie in {pack.name}" in capsys.readouterr().out
    assert main(["job", "list"]) == 0
    assert pack.name in capsys.readouterr().out
    assert main(["evidence", "make", "house", "--out", str(tmp_path / "a.zip")]) == 1
    assert pack.name in capsys.readouterr().err
    assert main(["job", "restore-readings", str(pack)]) == 0
    assert main(["job", "restore-readings", str(pack)]) == 0
    assert "nothing to put back" in capsys.readouterr().out
