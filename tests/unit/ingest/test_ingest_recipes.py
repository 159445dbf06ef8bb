"""Each recipe takes the messages that public documents print for its kind; `samples/gateways.json` has them."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitord.ingest.decoding.decode import decode
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.pairing import Memory
from monitord.ingest.recipes import recipes
from monitord.model.config.broker import TopicRule
from monitord.model.readings import Reading

NOW = datetime(2026, 6, 1, 10, 0, 5, tzinfo=UTC)
KINDS: list[dict[str, Any]] = json.loads((Path(__file__).parent / "samples/gateways.json").read_text(encoding="utf-8"))


RECIPES = {
    kind: [TopicRule.model_validate(rule) for rule in tomllib.loads(text)["topics"]] for kind, text in recipes().items()
}


def payload_of(message: dict[str, Any]) -> bytes:
    if "hex" in message:
        return bytes.fromhex(message["hex"])
    return message["text"].encode() if "text" in message else json.dumps(message["json"]).encode()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind["kind"])
def test_a_recipe_takes_every_reading_and_passes_the_rest_by(kind: dict[str, Any]) -> None:
    rules, memory = TopicRules(RECIPES[kind["kind"]]), Memory()
    for message in kind["messages"]:
        came = NOW + timedelta(seconds=message.get("after_s", 0))
        content = decode(message["topic"], payload_of(message), came, rules)
        joined = [memory.join(half, came) for half in content.halves]
        readings: list[Reading] = [*content.readings, *(reading for reading in joined if reading is not None)]
        assert len(readings) == len(message["readings"]), message["topic"]
        assert content.passed == (not content.readings and not content.halves)
        for reading, expected in zip(readings, message["readings"], strict=True):
            wanted = {"time": came.isoformat(), **expected}
            assert reading.time == datetime.fromisoformat(wanted.pop("time"))
            for name, value in wanted.items():
                found = getattr(reading, name)
                assert found == (value if isinstance(value, str) else pytest.approx(value, abs=1e-6)), name


def test_page_and_samples_have_the_same_kinds_with_one_rule_each() -> None:
    assert [kind["kind"] for kind in KINDS] == list(RECIPES)
    assert len(KINDS) >= 12
    assert {len(rules) for rules in RECIPES.values()} == {1}


def test_every_kind_has_a_source_a_reading_and_something_that_is_none() -> None:
    for kind in KINDS:
        assert kind["source"].startswith("https://")
        counts = [len(message["readings"]) for message in kind["messages"]]
        assert max(counts) >= 1, kind["kind"]
        assert min(counts) == 0 or kind["kind"].startswith("Tag gateway, all"), kind["kind"]


def test_all_recipes_together_are_settings_that_load() -> None:
    rules = TopicRules([rule for rules in RECIPES.values() for rule in rules])
    assert rules.filters()
