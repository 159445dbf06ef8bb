"""Spot readings on the command line: kept with the job, listed, taken out, and not lost with the next file."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitord.cli import main
from monitord.model.job_files.files import parse_job

EXAMPLE_JOB = Path(__file__).parents[3] / "config" / "job.example.toml"
JOB = "quay-lane-14"


@pytest.fixture(autouse=True)
def applied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///{tmp_path}/spots.sqlite3")
    said(capsys, "apply", str(EXAMPLE_JOB))


def said(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(("job", *arguments)) == code
    captured = capsys.readouterr()
    return captured.err if code else captured.out


def test_timber_measured_by_hand_is_kept_with_all_that_was_stated(capsys: pytest.CaptureFixture[str]) -> None:
    given = ["--wood", "19.5", "--at", "2025-02-20T11:15:00+01:00", "--correction", "-0.5"]
    more = ["--corrected-for", "pine, 9 °C", "--instrument", "pin meter", "--by", "B. Moran", "--note", "2nd joist"]
    assert (
        said(capsys, "spot", JOB, "hall-void", *given, *more) == f"{JOB}: 19 % MC at hall-void, 2025-02-20T10:15:00Z\n"
    )
    job = parse_job(said(capsys, "export", JOB), "toml")
    spot = job.spots_at("hall-void")[-1]
    assert spot.at == datetime(2025, 2, 20, 10, 15, tzinfo=UTC)
    assert (spot.value, spot.corrected, spot.corrected_for) == (19.5, 19.0, "pine, 9 °C")
    assert (spot.instrument, spot.by, spot.note) == ("pin meter", "B. Moran", "2nd joist")


def test_the_same_reading_twice_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        said(capsys, "spot", JOB, "kitchen", "--surface", "11.5", "--at", "2025-02-20T11:00:00Z")
    assert len(parse_job(said(capsys, "export", JOB), "toml").spots) == 3


def test_a_file_from_before_the_reading_does_not_take_it_away(capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "spot", JOB, "hall-void", "--wood", "18", "--at", "2025-02-21T09:00:00Z")
    told = said(capsys, "apply", str(EXAMPLE_JOB))
    assert told == f"{JOB}: unchanged; kept 1 of its spot readings that the file does not have\n"
    assert "18 % MC" in said(capsys, "spots", JOB)


def test_a_mistake_is_taken_out_by_its_number(capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "spot", JOB, "hall-void", "--wood", "81", "--at", "2025-02-21T09:00:00Z")
    assert said(capsys, "spots", JOB, "--remove", "3").startswith(f"{JOB}: taken out: 81 % MC at hall-void")
    listed = said(capsys, "spots", JOB)
    assert "81 % MC" not in listed
    assert "21.5 % MC" in listed
    assert "22.3 % MC" in listed  # corrected by +0.8
    assert "there is no spot reading 3" in said(capsys, "spots", JOB, "--remove", "3", code=1)


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("attic", "--wood", "18"), "job 'quay-lane-14' has no location 'attic'"),
        (("hall-void", "--wood", "700"), "a wood_moisture_pct of 700 is not between 1 and 300 % of dry mass"),
        (("kitchen", "--surface", "nan"), "value"),
    ],
)
def test_what_can_not_be_kept_is_said_in_one_line_and_nothing_is_kept(
    arguments: tuple[str, ...], problem: str, capsys: pytest.CaptureFixture[str]
) -> None:
    message = said(capsys, "spot", JOB, *arguments, code=1)
    assert problem in message
    assert message.count("\n") == 1
    assert len(parse_job(said(capsys, "export", JOB), "toml").spots) == 2


def test_a_job_that_is_not_there_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no job 'attic'" in said(capsys, "spot", "attic", "void", "--wood", "18", code=1)
    assert "there is no job 'attic'" in said(capsys, "spots", "attic", code=1)


@pytest.mark.parametrize(
    ("option", "unit"), [("rh", "% RH"), ("wme", "% WME"), ("plaster", "% plaster"), ("concrete", "% concrete")]
)
def test_each_scale_has_its_option(capsys: pytest.CaptureFixture[str], option: str, unit: str) -> None:
    told = said(capsys, "spot", JOB, "hall-void", f"--{option}", "4.5", "--depth", "20", "--at", "2025-02-21T09:00:00Z")
    assert told == f"{JOB}: 4.5 {unit} at hall-void, 2025-02-21T09:00:00Z\n"


def test_a_person_who_reads_us_units_is_shown_them_and_the_job_keeps_si(capsys: pytest.CaptureFixture[str]) -> None:
    """11.5 °C are 52.7 °F (NIST SP 811, appendix B.8)."""
    given = ["--surface", "11.5", "--at", "2025-02-20T11:00:00Z", "--units", "us"]
    assert said(capsys, "spot", JOB, "kitchen", *given) == f"{JOB}: 52.7 °F at kitchen, 2025-02-20T11:00:00Z\n"
    assert "52.7 °F" in said(capsys, "spots", JOB, "--units", "us")
    assert "11.5 °C" in said(capsys, "spots", JOB)
    assert parse_job(said(capsys, "export", JOB), "toml").spots[-1].value == 11.5
