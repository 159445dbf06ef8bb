"""Weather reports as readings, in the form of WMO-No. 306 (FM 15); two are well-known samples, from memory."""

from __future__ import annotations

from datetime import UTC, datetime

import psychrolib
import pytest

from monitord.errors import DecodeError
from monitord.ingest.decoding.decode import PartlyDecodedError, decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.model.readings import Reading

NOW = datetime(2025, 3, 2, 6, 0, tzinfo=UTC)
TOPIC = "monitord/weather/outdoor-1/metar"
YUDO = "METAR YUDO 012230Z 24004MPS 0600 R12/1000U DZ FG SCT010 OVC020 17/16 Q1018 BECMG TL1700 0800 FG"
"""After the example of ICAO Annex 3 and WMO-No. 306."""
KSEA = "SPECI KSEA 311953Z 22009KT 10SM FEW045 13/07 A2992 RMK AO2 SLP137 T01280072"


def read(text: str, now: datetime = NOW) -> tuple[Reading, ...]:
    return decode(TOPIC, text.encode(), now, TopicRules(())).readings


def humidity(temperature_c: float, dew_point_c: float) -> float:
    """By PsychroLib 2 (ASHRAE Handbook—Fundamentals 2017, ch. 1). [% RH]"""
    psychrolib.SetUnitSystem(psychrolib.SI)
    return float(100 * psychrolib.GetRelHumFromTDewPoint(temperature_c, dew_point_c))


def test_a_report_is_a_reading_of_the_topics_probe_at_its_own_time() -> None:
    (found,) = read(YUDO)
    assert (found.probe, found.gateway) == ("outdoor-1", "weather")
    assert found.time == datetime(2025, 3, 1, 22, 30, tzinfo=UTC)
    assert found.temperature_c == 17.0
    assert found.relative_humidity_pct == pytest.approx(humidity(17, 16), abs=0.02)


def test_tenths_of_a_degree_are_taken_where_the_remarks_have_them() -> None:
    (found,) = read(KSEA)
    assert found.temperature_c == 12.8
    assert found.relative_humidity_pct == pytest.approx(humidity(12.8, 7.2), abs=0.02)
    assert found.time == datetime(2025, 1, 31, 19, 53, tzinfo=UTC)  # February has no such day


def test_below_zero_the_humidity_is_over_water_as_the_dew_point_is() -> None:
    (found,) = read("EFHK 020550Z 21010KT 9999 SCT020 M05/M08 Q1013=")
    # WMO-No. 8 (2018) annex 4.B: 6.112 exp(17.62 t / (243.12 + t)) hPa over water
    assert found.relative_humidity_pct == pytest.approx(100 * 3.350 / 4.215, abs=0.1)


@pytest.mark.parametrize(
    ("day", "now", "month"),
    [
        ("011050Z", datetime(2025, 3, 1, 10, 55, tzinfo=UTC), (2025, 3)),
        ("011050Z", datetime(2025, 3, 1, 10, 0, tzinfo=UTC), (2025, 3)),  # their clocks differ a little
        ("311050Z", datetime(2025, 1, 1, 0, 30, tzinfo=UTC), (2024, 12)),
        ("301050Z", datetime(2025, 3, 15, 0, 0, tzinfo=UTC), (2025, 1)),
    ],
)
def test_the_month_is_the_latest_in_which_the_day_was_not_ahead(
    day: str, now: datetime, month: tuple[int, int]
) -> None:
    (found,) = read(f"EFHK {day} 05/M01 Q1013", now)
    assert (found.time.year, found.time.month) == month


def test_a_file_of_reports_with_date_lines_is_taken_whole() -> None:
    found = read("2019/06/01 10:50\nEFHK 011050Z 15/09 Q1013\n\n2019/07/01 10:50\nEFHK 011050Z 21/12 Q1009\n")
    assert [(reading.time.year, reading.time.month, reading.temperature_c) for reading in found] == [
        (2019, 6, 15.0),
        (2019, 7, 21.0),
    ]


def test_a_report_in_which_nothing_was_measured_holds_no_reading() -> None:
    assert read("EDDF 011050Z NIL") == ()
    assert read("EFHK 011050Z AUTO ///// //// // ////// ///// Q1013") == ()


@pytest.mark.parametrize("text", ["no report", "EFHK 991050Z 05/M01 Q1013", "\xff", "X" * 2000])
def test_what_is_no_report_is_refused(text: str) -> None:
    with pytest.raises(DecodeError) as refused:
        decode(TOPIC, text.encode("latin-1"), NOW, TopicRules(()))
    assert refused.value.code == "not_metar"


def test_a_bad_report_does_not_take_the_others_with_it() -> None:
    with pytest.raises(PartlyDecodedError) as partly:
        read(f"{YUDO}\nno report\n")
    assert len(partly.value.readings) == 1
    assert partly.value.where == "record 2"
