"""Whose a job is, and what may be shared at all."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from monitord.cli.parsers.running import ROLES
from monitord.daemon.shared_work import owner_of, shares_work
from monitord.errors import ConfigurationError
from monitord.ingest.mqtt.shared_group import as_member
from monitord.model.config.broker import BrokerSettings
from monitord.model.config.roles import DaemonRole
from monitord.model.config.settings import Settings

SERVER, FILE = "postgresql://monitord@127.0.0.1/monitord", "sqlite:///m.sqlite3"


def of(url: str, **more: Any) -> Settings:
    return Settings.model_validate({"database": {"url": url}, **more})


def test_every_process_finds_the_same_owner_and_who_goes_leaves_only_its_own() -> None:
    jobs = [f"J{n}" for n in range(600)]
    three = {job: owner_of(job, ["w1", "w2", "w3"]) for job in jobs}
    assert three == {job: owner_of(job, ["w3", "w1", "w2"]) for job in jobs}
    assert min(Counter(three.values()).values()) > 150  # 200 on average, standard deviation 12
    two = {job: owner_of(job, ["w1", "w3"]) for job in jobs}
    assert all(two[job] == owner for job, owner in three.items() if owner != "w2")
    assert owner_of("J1", []) is None


def test_everything_in_one_process_shares_nothing_on_either_database() -> None:
    assert not shares_work(of(FILE), (), None)
    assert not shares_work(of(FILE), list(DaemonRole), None)
    assert not shares_work(of(SERVER), (), None)
    assert shares_work(of(SERVER), [DaemonRole.WEB], None)
    assert shares_work(of(SERVER), list(DaemonRole), None)
    assert shares_work(of(SERVER), (), "1")


def test_the_command_line_knows_every_role() -> None:
    assert set(ROLES) == set(DaemonRole)


def test_a_file_can_not_be_shared() -> None:
    with pytest.raises(ConfigurationError, match=r"on SQLite .*Leave --role out.*store move"):
        shares_work(of(FILE), [DaemonRole.INGEST], None)
    with pytest.raises(ConfigurationError, match="PostgreSQL"):
        shares_work(of(FILE), (), "1")


def test_a_name_is_for_ingest_alone_and_fits_into_a_client_id() -> None:
    with pytest.raises(ConfigurationError, match="--role ingest --name 1"):
        shares_work(of(SERVER), [DaemonRole.WEB], "1")
    for bad in ("", "a/b", "#", "x" * 33, " 1"):
        with pytest.raises(ConfigurationError, match="can't be the name"):
            shares_work(of(SERVER), [DaemonRole.INGEST], bad)


def test_sharing_readings_needs_mqtt_5() -> None:
    with pytest.raises(ConfigurationError, match="MQTT 5"):
        shares_work(of(SERVER, broker={"protocol": "3.1.1"}), [DaemonRole.INGEST], "1")
    assert shares_work(of(SERVER, broker={"protocol": "3.1.1"}), [DaemonRole.INGEST], None)


@pytest.mark.parametrize("key", [{"join_within_s": 30}, {"repeats_are_cached": True}])
def test_a_rule_that_compares_messages_needs_one_process(key: dict[str, object]) -> None:
    field = {"path": "x", "unit": "Cel"}
    mapping = {"time": "t", "temperature_c": field, "relative_humidity_pct": {"path": "h", "unit": "%RH"}, **key}
    rule = {"pattern": "bridge/{probe}/state", "format": "mapped-json", "mapping": mapping}
    with pytest.raises(ConfigurationError, match=next(iter(key))):
        shares_work(of(SERVER, topics=[rule]), [DaemonRole.INGEST], "1")
    assert shares_work(of(SERVER, topics=[rule]), [DaemonRole.INGEST], None)


def test_members_have_sessions_of_their_own_and_one_group() -> None:
    """MQTT 5.0, 4.8.2: $share/{ShareName}/{filter}; a ShareName holds no `/`, `+` or `#`."""
    broker = BrokerSettings(client_id="site/7")
    one, filters = as_member(broker, ["monitord/#", "a/+/b"], "2")
    assert one.client_id == "site/7-2"
    assert filters == ("$share/site-7/monitord/#", "$share/site-7/a/+/b")
    assert as_member(broker, ["monitord/#"], None) == (broker, ("monitord/#",))
