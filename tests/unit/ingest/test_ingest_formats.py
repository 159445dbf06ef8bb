"""The page for users says what the program does: its examples decode, its tables are complete."""

from __future__ import annotations

import re
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import monitord.ingest
from monitord.ingest.decoding import native_json, outdoor_forecast, senml
from monitord.ingest.decoding.decode import decode
from monitord.ingest.decoding.mapping import UNITS
from monitord.ingest.decoding.records import NO_AGE
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.payload_limit import TOO_LARGE
from monitord.ingest.writer import ALONE
from monitord.model.config.broker import DEFAULT_TOPIC_RULES, TimeFormat, TopicRule
from monitord.store.series.readings import CONFLICT

FOLDER = Path(monitord.ingest.__file__).parent
PAGE = (FOLDER / "FORMATS.md").read_text(encoding="utf-8")
NOW = datetime(2025, 3, 1, 10, 0, 5, tzinfo=UTC)


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", PAGE, flags=re.DOTALL)


def test_the_json_examples_are_taken() -> None:
    ours, weather, pack = (text.encode() for text in blocks("json"))
    forecast = outdoor_forecast.decode(weather, NOW)
    assert decode("monitord/mill/outdoor-forecast", weather, NOW, TopicRules()).forecast == ("mill", forecast)
    assert [hour.temperature_c for hour in forecast.hours] == [-2.5, -3.1]
    (first,) = decode("monitord/attic/p1/reading", ours, NOW, TopicRules()).readings
    (second,) = decode("monitord/attic/p1/senml", pack, NOW, TopicRules()).readings
    assert first.time == second.time == datetime(2025, 3, 1, 10, tzinfo=UTC)
    assert (first.battery_v, second.surface_temperature_c) == (3.05, 11.4)


def test_the_example_of_a_rule_is_taken_and_reads_what_it_says() -> None:
    (text,) = blocks("toml")
    rules = TopicRules([TopicRule.model_validate(rule) for rule in tomllib.loads(text)["topics"]])
    sensor = b'{"kind": "air", "serial": "a7", "at": 1740823200000, "t": 1820, "h": 0.614, "bat": 3050}'
    payload = b'{"data": {"sensors": [' + sensor + b', {"kind": "door"}]}}'
    (reading,) = decode("site/attic/up", payload, NOW, rules).readings
    assert (reading.probe, reading.gateway, reading.temperature_c, reading.relative_humidity_pct) == (
        "a7",
        "attic",
        18.2,
        61.4,
    )


def test_every_topic_key_name_and_unit_stands_there() -> None:
    names = {rule.pattern for rule in DEFAULT_TOPIC_RULES} | native_json.KEYS | senml.NAMED.keys() | UNITS.keys()
    names |= {unit for units in UNITS.values() for unit in units} | {str(form) for form in TimeFormat}
    told = set(re.findall(r"[^\s`,(){}=\"]+", PAGE.replace("`", " "))) | set(re.findall(r"`([^`]+)`", PAGE))
    assert names - told == set()


def test_every_reason_of_quarantine_stands_there_and_no_other() -> None:
    source = "\n".join(path.read_text(encoding="utf-8") for path in FOLDER.rglob("*.py"))
    codes = set(re.findall(r'DecodeError\(\s*"(\w+)"', source)) | set(
        re.findall(r'": "(\w+)",$', codes_table(source), re.M)
    )
    codes |= {"bad_record", CONFLICT, TOO_LARGE, NO_AGE, ALONE}
    table = PAGE.partition("| code |")[2].partition("\n\n")[0]
    assert set(re.findall(r"`(\w+)`", table)) == codes


def codes_table(source: str) -> str:
    """The lines that give our codes for the types of error of the validating library."""
    return source.partition("CODES = {")[2].partition("}")[0]
