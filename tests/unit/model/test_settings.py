"""Settings: every one documented, each mistake named with its place and remedy, environment above file."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

from monitord.errors import ConfigurationError
from monitord.model.config.settings import Settings, load_settings
from monitord.model.config.settings_table import LIST_EXAMPLES, example_file, setting_rows

FOLDER = Path(__file__).parent / "settingsfiles"
EXAMPLE = Path(__file__).parents[3] / "config" / "monitord.example.toml"
BAD = sorted((FOLDER / "bad").glob("*.toml"))


@pytest.fixture(autouse=True)
def _no_variables(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.upper().startswith("MONITORD_"):
            monkeypatch.delenv(name)


def said_by(path: Path | None) -> str:
    with pytest.raises(ConfigurationError) as caught:
        load_settings(path)
    return caught.value.message


def test_the_example_file_is_the_one_that_the_program_prints() -> None:
    """Made by `monitord settings --example > config/monitord.example.toml`."""
    assert EXAMPLE.read_text(encoding="utf-8") == example_file()


def test_the_example_file_holds_every_default() -> None:
    assert load_settings(EXAMPLE) == load_settings(None)
    assert load_settings(None).model_dump() == Settings().model_dump()


def test_every_setting_has_help_and_stands_in_the_example() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    rows = setting_rows()
    assert len(rows) > 60
    for row in rows:
        assert row.help, f"{row.name} has no docstring"
        assert row.name.rsplit(".", maxsplit=1)[-1] in text, f"{row.name} does not stand in the example"


def test_each_list_example_is_taken() -> None:
    text = "".join(LIST_EXAMPLES.values())
    settings = Settings(**tomllib.loads(text))
    assert {name.split(".")[-1] for name in LIST_EXAMPLES} == {
        "brokers", "topics", "channels", "people", "routes", "maintenance",
    }  # fmt: skip
    assert settings.topics[0].mapping is not None
    assert settings.alerts.people[0].id == settings.alerts.routes[0].people[0]


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_each_mistake_is_one_line_that_names_file_key_and_remedy(path: Path) -> None:
    expected = [line.removeprefix("# says: ") for line in path.read_text().splitlines() if line.startswith("# says: ")]
    message = said_by(path)
    assert expected, "the fixture says nothing to look for"
    assert message.startswith(str(path))
    assert "\n" not in message
    for part in expected:
        assert part in message


def test_the_environment_stands_above_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MONITORD_BROKER__HOST", "other.example.org")
    monkeypatch.setenv("MONITORD_BROKER__PASSWORD", "hush")
    settings = load_settings(FOLDER / "good" / "firm.toml")
    assert settings.broker.host == "other.example.org"
    assert settings.broker.port == 8883
    assert settings.broker.password is not None
    assert settings.broker.password.get_secret_value() == "hush"
    assert "hush" not in repr(settings)


def test_further_brokers_have_names_and_share_the_batches_of_the_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MONITORD_BROKERS__CLOUD__HOST", "mqtt.example.org")
    monkeypatch.setenv("MONITORD_BROKERS__CLOUD__PASSWORD", "hush")
    monkeypatch.setenv("MONITORD_BROKER__BATCH_SIZE", "7")
    settings = load_settings(None)
    site, cloud = settings.all_brokers.values()
    assert list(settings.all_brokers) == ["broker", "cloud"]
    assert (cloud.host, cloud.password.get_secret_value() if cloud.password else None) == ("mqtt.example.org", "hush")
    assert site.batch_size == cloud.batch_size == 7
    assert "hush" not in repr(settings)


@pytest.mark.parametrize(
    ("brokers", "said"),
    [
        ({"cloud": {"port": 1883}}, "broker and brokers.cloud are one session on 127.0.0.1:1883"),
        ({"a": {"port": 1}, "b": {"port": 1}}, "brokers.a and brokers.b are one session"),
        ({"cloud": {"port": 1, "batch_size": 5}}, "brokers.cloud.batch_size is one for all brokers"),
        ({"cloud": {"port": 1, "receive_maximum": 10, "batch_size": 5}}, "batch_size is one for all brokers"),
        ({"broker": {"port": 1}}, "brokers.broker is the name of the first"),
        ({"Cloud": {"port": 1}}, "brokers.Cloud"),
    ],
)
def test_brokers_that_can_not_be_are_refused(brokers: dict[str, dict[str, int]], said: str) -> None:
    with pytest.raises(ValidationError, match=re.escape(said)):
        Settings.model_validate({"brokers": brokers})


def test_an_archive_of_readings_that_are_in_influxdb_is_refused_at_once_with_a_remedy(tmp_path: Path) -> None:
    file = tmp_path / "monitord.toml"
    archive, store = 'after_days = 30\nfolder = "packs"', 'readings = "influxdb"\nurl = "http://i"\nbucket = "b"'
    file.write_text(f"[archive]\n{archive}\n[store]\n{store}\n")
    with pytest.raises(ConfigurationError, match=r"Leave archive\.after_days out") as caught:
        load_settings(file)
    assert "monitord.toml" in caught.value.message
    assert 'store.readings = "influxdb"' in caught.value.message
    assert Settings.model_validate({"archive": {"after_days": 30, "folder": "packs"}}).archive.after_days == 30


def test_a_list_is_given_to_the_environment_as_json(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MONITORD_TOPICS", '[{"pattern": "a/{probe}", "format": "senml-json"}]')
    assert load_settings(None).topics[0].pattern == "a/{probe}"
    monkeypatch.setenv("MONITORD_TOPICS", "a/{probe}")
    assert "a variable holds no valid JSON" in said_by(None)


@pytest.mark.parametrize(
    ("variable", "value", "parts"),
    [
        ("MONITORD_BROKER__HOTS", "x", ["environment variable MONITORD_BROKER__HOTS", "Did you mean `host`?"]),
        ("MONITORD_BROKR__HOST", "x", ["unknown variable MONITORD_BROKR__HOST", "Did you mean MONITORD_BROKER"]),
        ("MONITORD_WEB__PORT", "many", ["environment variable MONITORD_WEB__PORT", "`web.port` is 'many'"]),
    ],
)
def test_a_wrong_variable_is_named(
    monkeypatch: pytest.MonkeyPatch, variable: str, value: str, parts: list[str]
) -> None:
    monkeypatch.setenv(variable, value)
    message = said_by(FOLDER / "good" / "firm.toml")
    for part in parts:
        assert part in message


def test_settings_built_directly_take_no_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MONITORD_BROKER__HOST", "other.example.org")
    assert Settings().broker.host == "127.0.0.1"


def test_a_missing_file_is_an_error_and_not_the_defaults(tmp_path: Path) -> None:
    assert "the settings file can't be read (No such file or directory)" in said_by(tmp_path / "none.toml")


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.2", "::1", "localhost"])
def test_the_dashboard_may_listen_on_any_loopback_address(host: str) -> None:
    assert Settings(web={"host": host}).web.host == host
