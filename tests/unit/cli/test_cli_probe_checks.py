"""Checks of probes on the command line: on stored readings, judged, proposed, recorded, and then applied.

Fixed points are those of Greenspan 1977 (J. Res. NBS 81A:89), his table as rounded to 0.01 % RH.
"""

from __future__ import annotations

import os
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitord.cli import main
from monitord.model.job_files.files import parse_job
from monitord.model.jobs import JobFile
from monitord.model.readings import Reading
from monitord.store.db.database import Database
from monitord.store.series.readings import insert_batch

JOB = """
job = "mill"
start = 2026-03-01T00:00:00Z

[[locations]]
id = "room"
kind = "room_air"

[[probes]]
id = "p1"
location_id = "room"
from = 2026-03-05T00:00:00Z
accuracy = { temperature_c = 0.3, relative_humidity_pct = 2.0 }

[[probes]]
id = "p2"
location_id = "room"
from = 2026-03-05T00:00:00Z

[[probes]]
id = "p3"
location_id = "room"
from = 2026-03-05T00:00:00Z

[[calibrations]]
probe = "p2"
at = 2026-01-10T00:00:00Z
temperature_correction_c = 0.1
relative_humidity_correction_pct = 1.0
"""
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
"""Before any of the probes is placed: they lie in a box in the workshop."""
SPAN = ("--from", "2026-03-02T08:00:00Z", "--to", "2026-03-02T12:00:00Z")


@pytest.fixture(autouse=True)
def url(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> str:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)
    address = f"sqlite:///{tmp_path}/checks.sqlite3"
    monkeypatch.setenv("MONITORD_DATABASE__URL", address)
    file = tmp_path / "mill.toml"
    file.write_text(JOB)
    assert main(("job", "apply", str(file))) == 0
    capsys.readouterr()
    return address


def stored(
    url: str, probe: str, temperature_c: float, humidity_pct: float, drift_pct_h: float = 0.0, start: datetime = START
) -> None:
    """Four hours of readings, one every ten minutes."""
    times = [start + timedelta(minutes=10 * i) for i in range(24)]
    readings = [
        Reading(
            probe=probe,
            time=time,
            temperature_c=temperature_c,
            relative_humidity_pct=humidity_pct + drift_pct_h * i / 6.0,
            received_at=time,
        )
        for i, time in enumerate(times)
    ]
    database = Database.open(url)
    with database.write() as conn:
        insert_batch(conn, readings)
    database.close()


def said(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    assert main(arguments) == code
    captured = capsys.readouterr()
    return captured.out or captured.err


def exported(capsys: pytest.CaptureFixture[str]) -> JobFile:
    return parse_job(said(capsys, "job", "export", "mill"), "toml")


def test_a_probe_over_salt_is_held_against_the_fixed_point_and_recorded(
    url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(url, "p1", 20.0, 79.5)  # over NaCl at 20 °C: 75.48 % RH, so 4.0 too high
    told = said(capsys, "probe", "check", "salt", "mill", "NaCl", "p1", *SPAN, "--by", "K. Lund", code=1)
    # the fixed point's own uncertainty, u 0.12, and 0.1 K of unevenness at 75 % RH, 0.46: k = 2 gives 1.0
    assert "75.5 ± 1.0" in told
    assert "\N{MINUS SIGN}4.0 ± 1.0" in told
    assert "out of its accuracy of ± 2" in told
    assert exported(capsys).calibrations[1:] == (), "nothing is recorded unasked"
    written = tomllib.loads(told[told.index("[[calibrations]]") :])["calibrations"]
    assert written == [
        {
            "probe": "p1",
            "at": datetime(2026, 3, 2, 12, tzinfo=UTC),
            "relative_humidity_correction_pct": pytest.approx(-4.02, abs=0.005),
            "method": "saturated salt, sodium chloride",
            "by": "K. Lund",
        }
    ]
    said(capsys, "probe", "check", "salt", "mill", "NaCl", "p1", *SPAN, "--by", "K. Lund", "--record", code=1)
    (_, recorded) = exported(capsys).calibrations
    assert recorded.model_dump(exclude_defaults=True) == written[0]


@pytest.mark.parametrize(
    ("salt", "celsius", "fixed_point"),
    [("LiCl", 25.0, 11.30), ("MgCl2", 20.0, 33.07), ("KCl", 15.0, 85.92), ("K2SO4", 30.0, 97.01)],
)
def test_a_probe_that_shows_the_fixed_point_passes_and_keeps_its_corrections(
    url: str, capsys: pytest.CaptureFixture[str], salt: str, celsius: float, fixed_point: float
) -> None:
    stored(url, "p2", celsius - 0.1, fixed_point - 1.0)  # corrected by + 0.1 K and + 1.0 % RH since January
    told = said(capsys, "probe", "check", "salt", "mill", salt, "p2", *SPAN, "--record")
    assert f"{celsius:.1f}  " in told
    assert f"{fixed_point:.1f} ±" in told
    assert "within its accuracy" in told
    record = exported(capsys).calibrations[-1]
    assert (record.probe, record.at) == ("p2", START + timedelta(hours=4))
    assert (record.temperature_correction_c, record.relative_humidity_correction_pct) == (0.1, 1.0)


def test_air_that_has_not_settled_over_the_salt_is_not_judged(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    stored(url, "p1", 20.0, 74.0, drift_pct_h=0.5)
    told = said(capsys, "probe", "check", "salt", "mill", "NaCl", "p1", *SPAN, "--record", code=1)
    assert "has not settled yet" in told
    assert "not known" in told
    assert len(exported(capsys).calibrations) == 1


def test_three_side_by_side_name_the_odd_one_and_correct_it(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    stored(url, "p1", 20.0, 55.0)
    stored(url, "p2", 19.9, 60.0)  # corrected to 20.0 and 61.0: 6 % RH too high
    stored(url, "p3", 20.1, 55.2)
    told = said(capsys, "probe", "check", "side-by-side", "mill", *SPAN, "--record", code=1)
    assert "p2 reads 5.9 ±" in told
    assert "too high in humidity" in told
    rows = {line.split()[0]: line for line in told.splitlines() if line.startswith("p")}
    assert "out" in rows["p2"]
    assert "within" in rows["p1"]
    odd = exported(capsys).calibrations[-1]
    assert odd.probe == "p2"
    assert odd.temperature_correction_c == pytest.approx(0.1, abs=0.011)
    assert odd.relative_humidity_correction_pct == pytest.approx(1.0 - 5.9, abs=0.011)
    # from then on its readings are corrected: the same three, in the next four hours, agree
    for probe, celsius, humidity in (("p1", 20.0, 55.0), ("p2", 19.9, 60.0), ("p3", 20.1, 55.2)):
        stored(url, probe, celsius, humidity, start=START + timedelta(hours=4))
    later = ("--from", "2026-03-02T12:00:00Z", "--to", "2026-03-02T16:00:00Z")
    assert "No correction is needed." in said(capsys, "probe", "check", "side-by-side", "mill", *later)


def test_too_little_time_together_is_not_judged(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    for probe in ("p1", "p2", "p3"):
        stored(url, probe, 20.0, 55.0)
    short = ("--from", "2026-03-02T08:00:00Z", "--to", "2026-03-02T09:00:00Z")
    told = said(capsys, "probe", "check", "side-by-side", "mill", *short, "--record", code=1)
    assert "Nothing is proposed." in told
    assert len(exported(capsys).calibrations) == 1


def test_probes_that_agree_need_no_correction(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    for probe, humidity in (("p1", 55.0), ("p3", 56.0)):
        stored(url, probe, 20.0, humidity)
    told = said(capsys, "probe", "check", "side-by-side", "mill", "p1", "p3", *SPAN, "--record")
    assert "they agree in humidity" in told
    assert "No correction is needed." in told
    assert len(exported(capsys).calibrations) == 1


def test_two_that_disagree_get_no_proposal(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    for probe, humidity in (("p1", 50.0), ("p3", 60.0)):
        stored(url, probe, 20.0, humidity)
    told = said(capsys, "probe", "check", "side-by-side", "mill", "p1", "p3", *SPAN, "--record", code=1)
    assert "no majority shows which is wrong" in told
    assert "Nothing is proposed." in told
    assert len(exported(capsys).calibrations) == 1


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("salt", "mill", "NaF", "p1", *SPAN), "the choices are LiCl"),
        (("salt", "mill", "NaCl", "p9", *SPAN), "Use one of p1, p2, p3"),
        (("side-by-side", "none", *SPAN), "there is no job 'none'"),
        (("side-by-side", "mill", SPAN[0], SPAN[3], SPAN[2], SPAN[1]), "ends before it begins"),
    ],
)
def test_what_cannot_be_checked_is_refused_in_words(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], complaint: str
) -> None:
    assert main(("probe", "check", *arguments)) != 0
    error = capsys.readouterr().err
    assert complaint in error
    assert error.count("\n") == 1
