"""CSV files of loggers: a draft of their mapping, every mistake at once, and the same file again changes nothing."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import psychrolib
import pytest

import monitord.ingest.logger_files
from monitord.cli import main
from monitord.errors import ConfigurationError
from monitord.ingest.logger_files.column_mapping import ColumnMapping, ProbeColumns, Times, load_mapping
from monitord.ingest.logger_files.importing import checked, import_readings
from monitord.ingest.logger_files.proposing import propose
from monitord.ingest.logger_files.reading_rows import read_rows
from monitord.store.db.database import Database

NOW = datetime(2025, 11, 1, tzinfo=UTC)
GERMAN = """Logger 4711; Keller links
Erstellt am 02.03.2025
Datum;Uhrzeit;Temperatur [°C];Rel. Feuchte [%];Kommentar
01.03.2025;10:00:00;18,2;61,4;
01.03.2025;10:10:00;18,3;61,5;Tür auf
13.03.2025;10:20:00;---;---;
"""
AMERICAN = """"#","Date Time, GMT-05:00","Temp, °F","RH, %"
1,03/13/25 02:00:00,64.4,55.1
2,03/13/25 02:10:00,64.6,55.0
"""
MAPPING = """
delimiter = ";"
decimal = ","
skip_lines = 2
[time]
columns = ["Datum", "Uhrzeit"]
form = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Berlin"
[[probes]]
id = "p-301"
temperature_c = { column = "Temperatur [°C]", unit = "C" }
relative_humidity_pct = { column = "Rel. Feuchte [%]", unit = "%" }
"""


def mapping(text: str = MAPPING, **changes: object) -> ColumnMapping:
    return ColumnMapping.model_validate({**tomllib.loads(text), **changes})


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    database = Database.open(f"sqlite:///{tmp_path}/m.sqlite3")
    yield database
    database.close()


def test_rows_become_readings_in_utc_and_rows_without_values_are_counted() -> None:
    found = read_rows(GERMAN, mapping(), NOW)
    assert found.mistakes == []
    assert found.without_value == 1
    assert [(r.probe, r.time, r.temperature_c, r.relative_humidity_pct) for r in found.readings] == [
        ("p-301", datetime(2025, 3, 1, 9, 0, tzinfo=UTC), 18.2, 61.4),
        ("p-301", datetime(2025, 3, 1, 9, 10, tzinfo=UTC), 18.3, 61.5),
    ]


def test_every_mistake_is_told_with_its_line_and_a_remedy_and_nothing_is_imported(tmp_path: Path) -> None:
    path = tmp_path / "cellar.csv"
    bad = GERMAN + "32.03.2025;10:00:00;18;61\n01.03.2025;11:00:00;warm;61;\n01.03.2026;11:00:00;18;61;\n01.03.2025\n"
    path.write_text(bad, encoding="utf-8")
    with pytest.raises(ConfigurationError) as refused:
        checked(path, mapping(), NOW)
    told = refused.value.message.split("\n  ")
    assert "4 mistakes; nothing was imported" in told[0]
    assert [line.split(":")[0] for line in told[1:]] == ["line 7", "line 8", "line 9", "line 10"]
    assert "fewer columns" in told[1]
    assert "'warm', which is no number. Correct it" in told[2]
    assert "lies ahead. Correct `time.form`" in told[3]


def test_columns_that_are_not_there_are_named_beside_those_that_are() -> None:
    with pytest.raises(ConfigurationError, match=r"no column 'Datum'.*its titles are '#', 'Date Time, GMT-05:00'"):
        read_rows(AMERICAN, mapping(skip_lines=0, delimiter=","), NOW)


def test_of_the_hour_that_comes_twice_in_autumn_each_pass_has_its_own_time() -> None:
    rows = "".join(
        f"26.10.2025;{clock}:00;18;61;\n" for clock in ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00")
    )
    found = read_rows("Datum;Uhrzeit;Temperatur [°C];Rel. Feuchte [%];x\n" + rows, mapping(skip_lines=0), NOW)
    # summer time ended on 26 October 2025 at 03:00, 01:00 UTC (EU directive 2000/84/EC)
    assert [f"{r.time:%H:%M}" for r in found.readings] == ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]


def test_a_time_that_the_zone_leaves_out_in_spring_is_a_mistake_with_its_remedy() -> None:
    text = "Datum;Uhrzeit;Temperatur [°C];Rel. Feuchte [%]\n30.03.2025;02:30:00;18;61\n"
    (mistake,) = read_rows(text, mapping(skip_lines=0), NOW).mistakes
    assert "does not exist in Europe/Berlin" in str(mistake)
    assert "+01:00" in mistake.remedy
    fixed = mapping(MAPPING.replace("Europe/Berlin", "+01:00"), skip_lines=0)
    assert read_rows(text, fixed, NOW).readings[0].time == datetime(2025, 3, 30, 1, 30, tzinfo=UTC)


def test_a_weather_file_gives_the_humidity_by_its_dew_point_and_several_probes_by_a_column() -> None:
    text = "station,time,temp,dew\nwx-1,2025-03-01T10:00Z,50,41\nwx-2,2025-03-01T10:00:00+01:00,68,68\n"
    given = """
    time = { columns = ["time"], form = "iso" }
    [[probes]]
    id_column = "station"
    temperature_c = { column = "temp", unit = "F" }
    dew_point_c = { column = "dew", unit = "F" }
    """
    first, second = read_rows(text, mapping(given), NOW).readings
    psychrolib.SetUnitSystem(psychrolib.SI)
    # PsychroLib 2 (ASHRAE Handbook—Fundamentals 2017, ch. 1)
    assert first.relative_humidity_pct == pytest.approx(100 * psychrolib.GetRelHumFromTDewPoint(10, 5), abs=0.02)
    assert (second.probe, second.time.hour) == ("wx-2", 9)
    assert second.relative_humidity_pct == pytest.approx(100.0)


def test_a_mapping_with_mistakes_has_all_of_them_named(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text("colour = 1" + MAPPING.replace('unit = "C"', 'unit = "R"').replace("Europe/Berlin", "Berlin"))
    with pytest.raises(ConfigurationError) as refused:
        load_mapping(path)
    assert "'R' is not known. Use one of C, F, K" in refused.value.message
    assert "'Berlin' is not an IANA time zone" in refused.value.message
    assert "colour" in refused.value.message


def test_the_same_file_again_changes_nothing_and_a_contradiction_is_held(db: Database) -> None:
    found = read_rows(GERMAN, mapping(), NOW)
    assert import_readings(db, found) == (2, 0, 0)
    assert import_readings(db, found) == (0, 2, 0)
    assert import_readings(db, read_rows(GERMAN.replace("18,2", "19,2"), mapping(), NOW)) == (0, 1, 1)


# --- drafts ------------------------------------------------------------------------------------------------------


def test_a_draft_knows_delimiter_titles_times_and_quantities_and_asks_for_the_zone() -> None:
    draft = propose(GERMAN, "Keller links")
    data = tomllib.loads(draft)
    assert data["delimiter"] == ";"
    assert data["decimal"] == ","
    assert data["skip_lines"] == 2
    assert data["time"]["columns"] == ["Datum", "Uhrzeit"]
    assert data["time"]["form"] == "%d.%m.%Y %H:%M:%S"
    assert data["time"]["zone"] == ""
    assert data["probes"][0]["id"] == "Keller-links"
    assert data["probes"][0]["temperature_c"] == {"column": "Temperatur [°C]", "unit": "C"}
    assert data["probes"][0]["relative_humidity_pct"] == {"column": "Rel. Feuchte [%]", "unit": "%"}
    with pytest.raises(ValueError, match="zone"):  # what was not filled in is not passed over
        ColumnMapping.model_validate(data)
    filled = tomllib.loads(draft.replace('zone = ""', 'zone = "Europe/Berlin"'))
    found = read_rows(GERMAN, ColumnMapping.model_validate(filled), NOW)
    assert (len(found.readings), found.mistakes) == (2, [])


def test_a_draft_takes_units_from_the_titles_and_offers_each_form_that_fits() -> None:
    data = tomllib.loads(propose(AMERICAN, "attic"))
    assert data["probes"][0]["temperature_c"]["unit"] == "F"
    assert data["time"]["form"] == "%m/%d/%y %H:%M:%S"
    early = AMERICAN.replace("03/13/25", "03/04/2025")  # 3 April, or March 4th?
    draft = propose(early, "attic")
    assert tomllib.loads(draft)["time"]["form"] == ""
    assert '# form = "%d/%m/%Y %H:%M:%S"' in draft
    assert '# form = "%m/%d/%Y %H:%M:%S"' in draft


def test_a_file_without_titles_is_refused_with_the_guide_named() -> None:
    with pytest.raises(ConfigurationError, match=r"IMPORT\.md"):
        propose("1,2,3\n4,5,6\n", "x")


def test_the_example_of_the_guide_reads_the_file_of_the_guide() -> None:
    folder = Path(monitord.ingest.logger_files.__file__).parent
    guide = (folder / "IMPORT.md").read_text(encoding="utf-8")
    given = mapping(guide.partition("```toml\n")[2].partition("```")[0])
    found = read_rows(guide.partition("```csv\n")[2].partition("```")[0], given, NOW)
    assert (len(found.readings), found.mistakes) == (2, [])
    keys = {*ColumnMapping.model_fields, *Times.model_fields, *ProbeColumns.model_fields}
    assert [
        key for key in sorted(keys) if f"`{key}`" not in guide and f"{key} =" not in guide and f"[{key}]" not in guide
    ] == []


def test_the_command_proposes_checks_and_imports(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MONITORD_DATABASE__URL", f"sqlite:///{tmp_path}/m.sqlite3")
    csv_file, draft = tmp_path / "cellar.csv", tmp_path / "cellar.toml"
    csv_file.write_text(GERMAN, encoding="cp1252")
    assert main(["import", str(csv_file), "--propose"]) == 1
    assert "cp1252" in capsys.readouterr().err
    assert main(["import", str(csv_file), "--propose", "--encoding", "cp1252"]) == 0
    text = capsys.readouterr().out.replace('zone = ""', 'zone = "Europe/Berlin"')
    draft.write_text('encoding = "cp1252"\n' + text, encoding="utf-8")
    words = ["import", str(csv_file), "--mapping", str(draft)]
    assert main([*words, "--check"]) == 0
    assert "2 readings of cellar, 2025-03-01T09:00:00Z to 2025-03-01T09:10:00Z" in capsys.readouterr().out
    assert not (tmp_path / "m.sqlite3").exists()
    for told in ("new: 2, there already: 0", "new: 0, there already: 2"):
        assert main(words) == 0
        output = capsys.readouterr().out
        assert told in output
        assert "placed in no job at their last time: cellar" in output
