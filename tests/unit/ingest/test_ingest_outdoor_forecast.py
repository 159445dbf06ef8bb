"""Forecasts of the outdoor air: what is taken, what is refused in which words, from a topic and from a file."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitord.analysis.air.outdoor_forecast import of_document
from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding import outdoor_forecast
from monitord.ingest.decoding.outdoor_forecast import decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.forecast_files import ForecastFiles
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.model.config.broker import PayloadFormat, TopicRule
from monitord.model.config.settings import Settings
from monitord.model.outdoor_forecast import OutdoorForecastDocument
from monitord.store.db.database import Database
from monitord.store.outdoor_forecasts import load
from monitord.store.quarantine import list_held

T0 = datetime(2025, 1, 10, 6, tzinfo=UTC)
H = timedelta(hours=1)


def hours(**more: Any) -> list[dict[str, Any]]:
    air = {"temperature_c": -4.5, "relative_humidity_pct": 88} | more
    return [{"time": (T0 + k * H).isoformat()} | air for k in range(1, 31)]


def payload(**changes: Any) -> bytes:
    return json.dumps({"issued_at": T0.isoformat(), "hours": hours()} | changes).encode()


@pytest.fixture
def db() -> Iterator[Database]:
    database = Database.open("sqlite://")
    yield database
    database.close()


def stored(db: Database, as_of: datetime = T0 + H) -> float | None:
    with db.read() as conn:
        found = load(conn, "mill", as_of, timedelta(days=1))
    return None if found is None else found.hours[0].temperature_c


def test_a_forecast_is_read_with_its_uncertainty_where_it_is_stated() -> None:
    plain = of_document(decode(payload(), T0))
    told = of_document(decode(payload(u_temperature_k=0.7, u_dew_point_k=0.9, source="met"), T0))
    assert (plain.u_temperature_k, plain.u_dew_point_k) == (1.0, 1.2)
    assert (told.u_temperature_k, told.u_dew_point_k) == (0.7, 0.9)
    assert plain.time_s[0] == (T0 + H).timestamp()
    assert plain.same(of_document(decode(payload(), T0)))
    assert not plain.same(told)
    assert not plain.same(None)


@pytest.mark.parametrize(("t", "dew"), [(8.0, 3.5), (21.0, 20.9), (-5.0, -8.0), (-15.0, -15.2)])
def test_a_dew_point_becomes_the_humidity_of_the_magnus_form_over_water(t: float, dew: float) -> None:
    """WMO-No. 8, annex 4.B: e_w is in proportion to exp(17.62 t/(243.12 + t)), also below 0 °C; within 0.2 %."""
    found = of_document(decode(payload(hours=[one | {"dew_point_c": dew} for one in without_rh(t)]), T0))
    at_dew, at_t = (np.exp(17.62 * x / (243.12 + x)) for x in (dew, t))
    assert found.relative_humidity_pct == pytest.approx(100 * at_dew / at_t, rel=2e-3)


def without_rh(t: float) -> list[dict[str, Any]]:
    return [
        {key: value for key, value in one.items() if "humidity" not in key} | {"temperature_c": t} for one in hours()
    ]


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        (b"tomorrow: frost", "not_json", "the forecast is not JSON"),
        (payload(issued_at=(T0 + H).isoformat()), "from_the_future", "issued at 2025-01-10T07:00:00Z"),
        (payload(issued_at="2025-01-10T06:00:00"), "bad_record", "timezone"),
        (payload(issued_at=None), "bad_record", "None will not do"),
        (payload(hours=hours()[:1]), "bad_record", "at least 2"),
        (payload(hours=hours()[::-1]), "bad_forecast", "does not come after the one before it"),
        (payload(hours=hours()[::9]), "bad_forecast", "the next time is 9 h away; six are allowed"),
        (payload(hours=hours(dew_point_c=-6.0)), "bad_forecast", "give either relative_humidity_pct or dew_point_c"),
        (payload(hours=hours(relative_humidity_pct=None)), "bad_forecast", "give either"),
        (
            payload(hours=hours(relative_humidity_pct=None, dew_point_c=3)),
            "bad_forecast",
            "lies over the air's -4.5 °C",
        ),
        (payload(hours=hours(temperature_c=271.0)), "bad_record", "less than or equal to 60"),
        (payload(hours=hours(temperature_c="-4")), "bad_value", "'-4' will not do"),
        (payload(hours=hours(wind_m_s=3)), "bad_record", "Extra inputs are not permitted"),
        (payload(issued_at="9999-12-31T23:59:59-23:59"), "bad_forecast", "outside the years 1 to 9999"),
        (payload(hours=hours() * 14), "bad_record", "at most 400 items"),
        (payload(issued_at=(T0 - 48 * H).isoformat(), hours=hours()), "ok", ""),
    ],
)
def test_each_mistake_has_its_code_and_its_words(content: bytes, code: str, words: str) -> None:
    if code == "ok":
        assert (
            decode(content, T0).issued_at == T0 - 48 * H
        )  # old, and taken: how old it may be is judged when it is used
        return
    with pytest.raises(DecodeError) as caught:
        decode(content, T0)
    assert caught.value.code == code
    assert words in caught.value.message


def test_a_forecast_on_its_topic_is_stored_for_its_job_and_a_bad_one_is_held(db: Database) -> None:
    writer = BatchWriter(db, TopicRules())
    good = IncomingMessage("monitord/mill/outdoor-forecast", payload(), T0, retained=True)
    bad = IncomingMessage("monitord/mill/outdoor-forecast", b"{}", T0)
    reading = b'{"time":"2025-01-10T06:00:00Z","temperature_c":18,"relative_humidity_pct":60}'
    outcome = writer.commit([good, bad, good, IncomingMessage("monitord/gw/p1/reading", reading, T0)])
    assert (outcome.inserted, outcome.held) == (1, 1)
    assert stored(db) == -4.5
    with db.read() as conn:
        (held,) = list_held(conn)
    assert "issued_at is missing" in held.reason


def test_a_forecast_is_decoded_once(db: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    decoded: list[bytes] = []

    def counting(content: bytes, received_at: datetime) -> OutdoorForecastDocument:
        decoded.append(content)
        return decode(content, received_at)

    monkeypatch.setattr(outdoor_forecast, "decode", counting)
    BatchWriter(db, TopicRules()).commit([IncomingMessage("monitord/mill/outdoor-forecast", payload(), T0)])
    assert decoded == [payload()]
    assert stored(db) == -4.5


def test_another_topic_needs_a_rule_that_names_the_job(db: Database) -> None:
    rule = TopicRule(pattern="weather/{job}", format=PayloadFormat.OUTDOOR_FORECAST)
    BatchWriter(db, TopicRules([rule])).commit([IncomingMessage("weather/mill", payload(), T0)])
    assert stored(db) == -4.5
    with pytest.raises(ConfigurationError, match="which job a forecast on 'weather/all' is for"):
        TopicRules([TopicRule(pattern="weather/all", format=PayloadFormat.OUTDOOR_FORECAST)])


def test_a_file_is_taken_when_it_is_new_and_left_while_it_is_the_same(db: Database, tmp_path: Path) -> None:
    files = ForecastFiles(f"{tmp_path}/{{job}}.json", db)
    assert files.look(["mill", "quay"], T0) == []
    (tmp_path / "mill.json").write_bytes(payload())
    assert files.look(["mill", "quay"], T0 + H) == ["mill"]
    assert files.look(["mill", "quay"], T0 + 2 * H) == []
    assert stored(db, T0 + 2 * H) == -4.5
    later = [
        one | {"time": (datetime.fromisoformat(one["time"]) + 6 * H).isoformat()} for one in hours(temperature_c=1.0)
    ]
    (tmp_path / "mill.json").write_bytes(payload(issued_at=(T0 + 6 * H).isoformat(), hours=later))
    assert files.look(["mill"], T0 + 7 * H) == ["mill"]
    assert stored(db, T0 + 7 * H) == 1.0
    assert stored(db, T0 + 2 * H) == -4.5  # as it was known then


def test_a_file_setting_that_names_no_job_is_refused() -> None:
    with pytest.raises(ValueError, match="names no job; put"):
        Settings.model_validate({"outdoor_forecast": {"file": "forecast.json"}})


def test_a_bad_file_is_told_once_and_the_good_forecast_stays(
    db: Database, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    files = ForecastFiles(f"{tmp_path}/{{job}}.json", db)
    (tmp_path / "mill.json").write_bytes(payload())
    files.look(["mill"], T0)
    (tmp_path / "mill.json").write_text("half a fi")
    with caplog.at_level(logging.ERROR):
        for _ in range(3):
            assert files.look(["mill"], T0 + H) == []
    (record,) = caplog.records
    assert "job mill can't be taken" in record.getMessage()
    assert "not JSON" in record.getMessage()
    assert stored(db) == -4.5


def test_a_file_that_can_not_be_read_is_told_once(
    db: Database, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "mill.json").mkdir()
    files = ForecastFiles(f"{tmp_path}/{{job}}.json", db)
    with caplog.at_level(logging.ERROR):
        for _ in range(2):
            assert files.look(["mill"], T0) == []
    assert len(caplog.records) == 1
