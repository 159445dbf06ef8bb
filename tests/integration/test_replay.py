"""Replay: its files, its clock, and that nothing but what had arrived counts."""

from __future__ import annotations

import csv
import itertools
import os
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import replay_house as house

from monitord.alerts.lifecycle.rule_files import default_rule_book
from monitord.cli import main
from monitord.model.alerts import Severity
from monitord.model.job_files.files import load_job_file
from monitord.replay.run import read_arrivals, replay, run_replay, write_result

FILES = ("alerts.csv", "forecasts.csv", "equilibrium.csv")
HEADERS = {
    "alerts.csv": "opened_at,closed_at,kind,location,severity,probe,headline,at_opening,worst,at_close,closed_because",
    "forecasts.csv": "made_at,location,eta_lo,eta_mid,eta_hi",
    "equilibrium.csv": "made_at,location,predicted_rh,lo,hi,state",
}
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
END = house.at_day(house.DAYS)

Table = list[dict[str, str]]


def play(folder: Path, out: Path) -> dict[str, Table]:
    """Replay a folder and read what was written."""
    run_replay(folder, out, progress=False, rules=default_rule_book())
    return tables(out)


def tables(out: Path) -> dict[str, Table]:
    found = {}
    for name in FILES:
        with (out / name).open(encoding="utf-8", newline="") as file:
            found[name] = list(csv.DictReader(file))
    return found


def moment(text: str) -> datetime:
    assert TIME.fullmatch(text), text
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


@pytest.fixture(scope="module")
def rows() -> list[house.Row]:
    return house.rows()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, rows: list[house.Row]) -> Path:
    return house.write(tmp_path_factory.mktemp("house"), rows)


@pytest.fixture(scope="module")
def out(folder: Path) -> Path:
    """What the command makes of the folder, in a process of its own with an order of hashes of its own."""
    made = folder / "out" / "deeper"
    command = [sys.executable, "-m", "monitord", "replay", str(folder), "--out", str(made)]
    environment = {k: v for k, v in os.environ.items() if not k.startswith("MONITORD_")} | {"PYTHONHASHSEED": "1"}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    return made


@pytest.fixture(scope="module")
def played(out: Path) -> dict[str, Table]:
    return tables(out)


# -- the files -----------------------------------------------------------------------------------------------------


def test_the_files_with_the_headers_of_the_format_are_written(out: Path) -> None:
    assert {path.name for path in out.iterdir()} == {*FILES, "states.csv", "readiness.csv"}
    for name, header in HEADERS.items():
        raw = (out / name).read_bytes()
        assert raw.decode("utf-8").split("\n")[0] == header
        assert b"\r" not in raw
        assert raw.endswith(b"\n")


def test_times_are_whole_seconds_with_z_and_none_is_an_empty_field(played: dict[str, Table]) -> None:
    for row in played["alerts.csv"]:
        opened = moment(row["opened_at"])
        assert row["closed_at"] == "" or opened <= moment(row["closed_at"]) <= END
        assert house.START <= opened <= END
    for row in played["forecasts.csv"]:
        moment(row["made_at"])
        for key in ("eta_lo", "eta_mid", "eta_hi"):
            assert row[key] in ("", "never") or moment(row[key])
        assert row["eta_lo"] != "never"
    for row in played["equilibrium.csv"]:
        moment(row["made_at"])
        assert all(row[key] == "" or 0.0 <= float(row[key]) <= 100.0 for key in ("predicted_rh", "lo", "hi"))


def test_alerts_name_a_location_of_the_job_a_known_severity_and_their_probe(played: dict[str, Table]) -> None:
    locations = {location["id"] for location in house.job()["locations"]}
    for row in played["alerts.csv"]:
        assert row["location"] in locations
        assert row["severity"] in set(Severity)
        if row["kind"].startswith("probe_"):
            assert row["probe"] == f"p-{row['location']}"


def test_a_dated_forecast_is_ordered_and_lies_ahead(played: dict[str, Table]) -> None:
    dated = [row for row in played["forecasts.csv"] if row["eta_mid"] not in ("", "never")]
    assert dated
    for row in dated:
        low, middle = moment(row["eta_lo"]), moment(row["eta_mid"])
        assert moment(row["made_at"]) - timedelta(days=1) <= low <= middle
        assert row["eta_hi"] == "never" or middle <= moment(row["eta_hi"])


def test_each_goal_not_yet_met_gets_a_forecast_every_day_once_there_is_something_to_say(
    played: dict[str, Table],
) -> None:
    met = {a["location"]: moment(a["opened_at"]) for a in played["alerts.csv"] if a["kind"] == "goal_reached"}
    for name, from_day in (("wall", 3.0), ("void", 3.0), ("slab", 5.5)):
        made = [moment(row["made_at"]) for row in played["forecasts.csv"] if row["location"] == name]
        day = house.at_day(from_day)
        until = min(met.get(name, END), END if name != "slab" else house.at_day(house.SLEEVE_SILENT_FROM_D + 0.5))
        while day + timedelta(days=1) <= until:
            assert any(day <= at <= day + timedelta(days=1) for at in made), (name, day)
            day += timedelta(hours=12)


def test_each_sealed_sleeve_has_an_estimate_every_six_hours_to_the_end(played: dict[str, Table]) -> None:
    made = [moment(row["made_at"]) for row in played["equilibrium.csv"] if row["location"] == "slab"]
    assert made[0] <= house.at_day(0.25) + timedelta(hours=12)
    assert made[-1] >= END - timedelta(hours=6)
    assert max(b - a for a, b in itertools.pairwise(made)) <= timedelta(hours=6)
    assert {row["location"] for row in played["equilibrium.csv"]} == {"slab"}


def test_a_sleeve_is_not_called_equilibrated_before_its_clock_has_run(played: dict[str, Table]) -> None:
    """72 h since sealing, as UK practice has it."""
    claims = [moment(r["made_at"]) for r in played["equilibrium.csv"] if r["state"] == "equilibrated"]
    assert claims
    assert min(claims) >= house.at_day(0.25) + timedelta(hours=72)
    assert min(claims) <= house.at_day(0.25) + timedelta(hours=96)
    alert = next(a for a in played["alerts.csv"] if a["kind"] == "equilibrated")
    assert abs(moment(alert["opened_at"]) - min(claims)) <= timedelta(hours=6)


# -- the clock -----------------------------------------------------------------------------------------------------


def silences(played: dict[str, Table], name: str) -> Table:
    return [a for a in played["alerts.csv"] if a["kind"] == "probe_silent" and a["location"] == name]


def test_a_gap_is_noticed_while_no_rows_come_and_is_over_when_they_come_again(played: dict[str, Table]) -> None:
    gap = [house.at_day(day) for day in house.YARD_SILENT_D]
    alert = next(a for a in silences(played, "yard") if moment(a["opened_at"]) < gap[1])
    assert gap[0] < moment(alert["opened_at"]) < gap[1]
    assert gap[1] <= moment(alert["closed_at"]) <= gap[1] + timedelta(hours=2)


def test_the_clock_goes_on_after_the_last_row_of_a_probe_and_the_alert_is_open_at_the_end(
    played: dict[str, Table],
) -> None:
    alert = silences(played, "slab")[-1]
    assert moment(alert["opened_at"]) > house.at_day(house.SLEEVE_SILENT_FROM_D)
    assert alert["closed_at"] == ""


def test_in_an_outage_every_probe_is_silent_and_the_backlog_ends_it(played: dict[str, Table]) -> None:
    a, b = (house.at_day(day) for day in house.OUTAGE_D)
    for name in ("room", "yard", "wall", "slab", "void"):
        alert = next(x for x in silences(played, name) if a < moment(x["opened_at"]) < b)
        assert b <= moment(alert["closed_at"]) <= b + timedelta(hours=2)


def known_by(table: Table, when: datetime, key: str) -> Table:
    """The rows dated up to a time; a closing after it, and the worst of what still ran, not yet known."""
    kept = [dict(row) for row in table if moment(row[key]) <= when]
    for row in kept:
        if "closed_at" in row and not (row["closed_at"] and moment(row["closed_at"]) <= when):
            row |= {"closed_at": "", "worst": "", "at_close": "", "closed_because": ""}
    return kept


@pytest.mark.parametrize("day", [4.3, 6.9])
def test_what_is_said_by_a_time_rests_only_on_what_had_arrived_by_then(
    day: float, rows: list[house.Row], played: dict[str, Table], tmp_path: Path
) -> None:
    """Within the outage, and after a probe's end: the rest of the rows is cut off, and the clock goes on."""
    when = house.at_day(day)
    some = [row for row in rows if row.received <= when]
    assert 0 < len(some) < len(rows)
    shorter = house.job() | {"end": house.z(min(END, when + timedelta(hours=12)))}
    cut = play(house.write(tmp_path, some, shorter), tmp_path / "out")
    for name, key in (("alerts.csv", "opened_at"), ("forecasts.csv", "made_at"), ("equilibrium.csv", "made_at")):
        assert known_by(cut[name], when, key) == known_by(played[name], when, key), name
        assert known_by(played[name], when, key)


# -- determinism, duplicates ---------------------------------------------------------------------------------------


def with_repeats(rows: list[house.Row]) -> list[house.Row]:
    """Every third row comes again, as at-least-once delivery has it."""
    later = timedelta(minutes=7)
    again = [
        house.Row(r.received + later, f"{r.text.rsplit(',', 1)[0]},{house.z(r.received + later)}") for r in rows[::3]
    ]
    return sorted([*rows, *again], key=lambda row: row.received)


def with_strangers(rows: list[house.Row]) -> list[house.Row]:
    """A probe that the job does not know comes along, as a gateway that serves two houses sends it."""
    others = [house.Row(r.received, r.text.replace("p-room", "p-elsewhere")) for r in rows if "p-room" in r.text]
    return sorted([*rows, *others], key=lambda row: row.received)


def test_another_process_repeats_and_strangers_change_not_a_byte(
    rows: list[house.Row], out: Path, tmp_path: Path
) -> None:
    """`out` came from a process of its own, with another order of hashes, and without them."""
    changed = with_strangers(with_repeats(rows))
    assert len(changed) > 1.4 * len(rows)
    run_replay(house.write(tmp_path, changed), tmp_path / "out", progress=False, rules=default_rule_book())
    for name in FILES:
        assert (tmp_path / "out" / name).read_bytes() == (out / name).read_bytes()


def test_several_processes_write_the_same_bytes_as_one(folder: Path, out: Path, tmp_path: Path) -> None:
    job, arrivals = load_job_file(folder / "job.json"), read_arrivals(folder / "readings.csv")
    write_result(replay(job, arrivals, default_rule_book(), workers=3), tmp_path, job, default_rule_book())
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (out / name).read_bytes()


# -- errors --------------------------------------------------------------------------------------------------------


def refused(capsys: pytest.CaptureFixture[str], folder: Path) -> str:
    """The one line that the command says of a folder it can't replay; nothing is written."""
    assert main(["replay", str(folder), "--out", str(folder / "out")]) == 1
    captured = capsys.readouterr()
    assert not (folder / "out").exists()
    assert captured.err.startswith("monitord: ")
    assert "Traceback" not in captured.err
    return captured.err


GOOD = "2025-03-01T10:00:00Z,p-room,18.2,61.4,,3.05,2025-03-01T10:00:04Z"


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        ("2025-03-01T10:00:00,p-room,18.2,61.4,,3.05,2025-03-01T10:00:04Z", "offset"),
        ("yesterday,p-room,18.2,61.4,,3.05,2025-03-01T10:00:04Z", "yesterday"),
        ("2025-03-01T10:00:00Z,p-room,18.2,61.4,,3.05,", "''"),
        ("2025-03-01T10:00:00Z,p-room,18,2,61.4,,3.05,2025-03-01T10:00:04Z", "3.05"),  # decimal comma: one cell more
        ("2025-03-01T10:00:00Z,p-room,warm,61.4,,3.05,2025-03-01T10:00:04Z", "warm"),
        ("2025-03-01T10:00:00Z,p-room,,61.4,,3.05,2025-03-01T10:00:04Z", "''"),
        ("2025-03-01T10:00:00Z,p-room,18.2,nan,,3.05,2025-03-01T10:00:04Z", "nan"),
        ("2025-03-01T10:00:00Z,p-room,18.2,61.4,inf,3.05,2025-03-01T10:00:04Z", "inf"),
        ("2025-03-01T10:00:00Z,p-room,18.2,61.4", "index"),
    ],
)
def test_a_row_that_can_not_be_understood_is_named_by_file_and_line(
    bad: str, why: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    house.write(tmp_path, [])
    (tmp_path / "readings.csv").write_text("\n".join([house.HEADER, GOOD, GOOD, bad, GOOD]) + "\n")
    said = refused(capsys, tmp_path)
    assert f"{tmp_path / 'readings.csv'} line 4" in said
    assert why in said


def test_a_column_that_is_missing_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    house.write(tmp_path, [])
    (tmp_path / "readings.csv").write_text(house.HEADER.replace("battery_v", "volts") + "\n")
    assert "column 'battery_v' is missing" in refused(capsys, tmp_path)


@pytest.mark.parametrize("name", ["job.json", "readings.csv"])
def test_a_file_that_is_missing_is_named(name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    house.write(tmp_path, [])
    (tmp_path / name).unlink()
    assert str(tmp_path / name) in refused(capsys, tmp_path)


def test_a_job_that_is_wrong_is_named_by_file_and_key(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    wrong = house.job()
    wrong["locations"][2]["reference"] = "cellar"
    house.write(tmp_path, [], wrong)
    said = refused(capsys, tmp_path)
    assert "job.json" in said
    assert "'cellar'" in said
