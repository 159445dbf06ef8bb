"""Topic rules, against MQTT 5.0 (OASIS, 2019) section 4.7 and the client library's own matching."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding.topics import TopicPattern, TopicRules
from monitord.model.config.broker import DEFAULT_TOPIC_RULES, FieldMapping, PayloadFormat, PayloadMapping, TopicRule

_LEVELS = st.sampled_from(["a", "b", "", "monitord", "$SYS", "a.b", "ä\n"])
_PATTERNS = (
    st.tuples(st.lists(_LEVELS | st.just("+"), max_size=4), st.sampled_from([[], ["#"]]))
    .map(lambda parts: "/".join(parts[0] + parts[1]))
    .filter(bool)
)


@given(_PATTERNS, st.lists(_LEVELS, min_size=1, max_size=5))
def test_filters_match_as_the_client_library_has_it(pattern: str, topic: list[str]) -> None:
    name = "/".join(topic)
    if not name:
        return
    assert (TopicPattern(pattern).match(name) is not None) == topic_matches_sub(pattern, name)


@pytest.mark.parametrize(
    ("pattern", "topic", "matches"),
    [
        # MQTT 5.0, 4.7.1.2 and 4.7.1.3, non-normative comments
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("#", "sport", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("+", "/finance", False),
        # 4.7.2
        ("#", "$SYS/monitor/Clients", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor/Clients", True),
    ],
)
def test_examples_of_the_standard(pattern: str, topic: str, matches: bool) -> None:
    assert (TopicPattern(pattern).match(topic) is not None) is matches


def test_placeholders_name_gateway_and_probe() -> None:
    pattern = TopicPattern("site/{gateway}/+/{probe}/#")
    assert pattern.filter == "site/+/+/+/#"
    assert pattern.match("site/g1/x/p7/up/down") == {"gateway": "g1", "probe": "p7"}


@pytest.mark.parametrize(
    "pattern", ["a/#/b", "a+", "a/b#", "{probe}/{probe}", "x{probe}{job}", "{Device}", "+{probe}", "a/\0"]
)
def test_a_pattern_that_is_no_filter_is_refused_with_a_remedy(pattern: str) -> None:
    with pytest.raises(ConfigurationError, match="Write an MQTT topic filter"):
        TopicPattern(pattern)


def test_our_own_topics_always_hold() -> None:
    route = TopicRules().route("monitord/attic/p1/reading")
    assert (route.gateway, route.probe, route.rule.format) == ("attic", "p1", PayloadFormat.READING_JSON)


def test_the_settings_own_rules_come_first() -> None:
    senml = TopicRule(pattern="monitord/{gateway}/{probe}/reading", format=PayloadFormat.SENML_JSON)
    assert TopicRules([senml]).route("monitord/attic/p1/reading").rule.format is PayloadFormat.SENML_JSON


def test_each_filter_is_subscribed_once() -> None:
    again = TopicRule(pattern="monitord/{probe}/{gateway}/reading", format=PayloadFormat.READING_JSON)
    assert len(TopicRules([again]).filters()) == len(DEFAULT_TOPIC_RULES)


def test_a_filter_that_another_one_covers_is_not_subscribed_beside_it() -> None:
    up = TopicRule(pattern="up/{probe}/#", format=PayloadFormat.SENML_JSON)
    assert TopicRules([up]).filters(["monitord/#"]) == ("monitord/#", "up/+/#")
    with pytest.raises(ConfigurationError):
        TopicRules().filters(["monitord/#/x"])


@given(_PATTERNS, _PATTERNS, st.lists(_LEVELS, min_size=1, max_size=5))
def test_a_covering_filter_matches_whatever_the_other_one_does(wide: str, narrow: str, topic: list[str]) -> None:
    name = "/".join(topic)
    if TopicPattern(wide).covers(narrow) and topic_matches_sub(narrow, name):
        assert topic_matches_sub(wide, name)


def test_a_topic_without_a_rule_is_refused() -> None:
    with pytest.raises(DecodeError) as caught:
        TopicRules().route("monitord/attic/p1/photo")
    assert caught.value.code == "no_rule"


@pytest.mark.parametrize("probe", ["", "a b", "$a", "x" * 129])
def test_a_level_that_can_not_be_an_id_is_refused(probe: str) -> None:
    with pytest.raises(DecodeError) as caught:
        TopicRules().route(f"monitord/attic/{probe}/reading")
    assert caught.value.code == "bad_probe"


def test_a_rule_must_say_which_probe_a_payload_is_from() -> None:
    with pytest.raises(ConfigurationError, match=r"Put \{probe\} into the pattern"):
        TopicRules([TopicRule(pattern="up", format=PayloadFormat.READING_JSON)])
    mapping = PayloadMapping(
        probe="id", time="at", temperature_c=FieldMapping(path="t"), relative_humidity_pct=FieldMapping(path="h")
    )
    TopicRules([TopicRule(pattern="up", format=PayloadFormat.MAPPED_JSON, mapping=mapping)])


def test_topics_without_end_do_not_fill_the_memory() -> None:
    rules = TopicRules()
    for i in range(25_000):
        rules.route(f"monitord/g/p{i}/reading")
    assert len(rules._cache) <= 10_000


def test_a_placeholder_may_stand_for_a_part_of_a_level() -> None:
    pattern = TopicPattern("site/sensor-{probe}.th/up")
    assert pattern.filter == "site/+/up"
    assert pattern.match("site/sensor-p7.th/up") == {"probe": "p7"}
    assert pattern.match("site/sensor-.th/up") is None
    assert pattern.match("site/sensor-p7xth/up") is None  # the point is a point


def test_what_only_the_wider_filter_brings_is_passed_over_and_not_held() -> None:
    mapping = {"time_format": "arrival", "temperature_c": {"path": "t"}, "relative_humidity_pct": {"path": "h"}}
    rule = TopicRule.model_validate({"pattern": "site/sensor-{probe}", "format": "mapped-json", "mapping": mapping})
    rules = TopicRules([rule])
    assert rules.filters() == ("site/+", *TopicRules().filters())
    assert rules.route("site/sensor-p7").probe == "p7"
    assert rules.route("site/door").rule.format is PayloadFormat.STATUS
    with pytest.raises(DecodeError):
        rules.route("site/sensor-p7/more")


def test_only_a_mapping_reads_further_names_of_levels() -> None:
    TopicPattern("{site}/{probe}")
    with pytest.raises(ConfigurationError, match="names prob, which nothing reads"):
        TopicRules([TopicRule(pattern="a/{gateway}/{probe}/{prob}", format=PayloadFormat.SENML_JSON)])
