"""Which rule holds for a topic, and what the topic itself says: gateway and probe."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from pydantic import TypeAdapter, ValidationError

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding.mapping import CompiledMapping
from monitord.ingest.decoding.records import short
from monitord.model.config.broker import DEFAULT_TOPIC_RULES, PayloadFormat, TopicRule
from monitord.model.readings import Identifier

_IDENTIFIER: TypeAdapter[str] = TypeAdapter(Identifier)
_LEVEL = {
    "{gateway}": "(?P<gateway>[^/]*)",
    "{probe}": "(?P<probe>[^/]*)",
    "{job}": "(?P<job>[^/]*)",
    "+": "[^/]*",
}
_CACHED_TOPICS = 10_000
"""Topics whose route is remembered; a sender that invents topics without end must not fill the memory."""


class TopicMatch(NamedTuple):
    """What is known of a payload before it is opened."""

    rule: TopicRule
    mapping: CompiledMapping | None
    gateway: str | None
    probe: str | None
    job: str | None = None
    """Forecasts: the job that the topic names."""


class TopicPattern:
    """A rule's pattern, ready for use.

    `filter` is what is subscribed to: the pattern with `+` for each placeholder.
    """

    def __init__(self, pattern: str) -> None:
        levels = pattern.split("/")
        self._check(pattern, levels)
        self.pattern = pattern
        self.filter = "/".join("+" if level in _LEVEL else level for level in levels)
        self._regex = re.compile(self._expression(levels), re.DOTALL)

    def match(self, topic: str) -> dict[str, str] | None:
        """Names found in a topic (`gateway`, `probe`, `job`), or None if the pattern does not cover it."""
        if topic.startswith("$") and self.filter[0] in "+#":
            return None  # MQTT 5.0, 4.7.2: a leading wildcard does not reach the broker's own topics
        found = self._regex.fullmatch(topic)
        return None if found is None else found.groupdict()

    def covers(self, other: str) -> bool:
        """Whether every topic that another filter matches is matched by this one."""
        if other.endswith("#") and not self.filter.endswith("#"):
            return False
        return self.match(other) is not None  # a wildcard of the other one stands for a level as any name does

    @staticmethod
    def _check(pattern: str, levels: list[str]) -> None:
        why = None
        for i, level in enumerate(levels):
            if level == "#":
                why = None if i == len(levels) - 1 else "`#` stands only at the end"
            elif level not in _LEVEL and re.search(r"[+#{}\x00]", level):
                why = f"the level {level!r} mixes a wildcard or placeholder with text, or has an unknown placeholder"
            elif level in ("{gateway}", "{probe}", "{job}") and levels.count(level) > 1:
                why = f"{level} stands twice"
            if why:
                raise ConfigurationError(
                    f"{pattern!r} is not a topic pattern",
                    where="topics",
                    why=why,
                    remedy="Write an MQTT topic filter in which {gateway}, {probe} and {job} stand for one level each",
                )

    @staticmethod
    def _expression(levels: list[str]) -> str:
        parts = [_LEVEL.get(level, re.escape(level)) for level in levels if level != "#"]
        expression = "/".join(parts)
        if levels[-1] != "#":
            return expression
        return f"{expression}(?:/.*)?" if parts else ".*"


class TopicRules:
    """All rules, checked and ready: those of the settings first, then our own topics.

    Raises
    ------
    ConfigurationError : a pattern or an expression of a mapping is wrong.
    """

    def __init__(self, rules: Sequence[TopicRule] = ()) -> None:
        self._rules = [self._compiled(rule) for rule in (*rules, *DEFAULT_TOPIC_RULES)]
        self._cache: dict[str, TopicMatch] = {}

    def filters(self, also: Sequence[str] = ()) -> tuple[str, ...]:
        """The topic filters to subscribe to, with those of `also`, less those that another one covers.

        Raises
        ------
        ConfigurationError : one of `also` is no topic filter.
        """
        patterns = [*(TopicPattern(text) for text in also), *(pattern for pattern, _, _ in self._rules)]
        by_filter = {pattern.filter: pattern for pattern in patterns}
        return tuple(
            text for text in by_filter if not any(p.covers(text) for name, p in by_filter.items() if name != text)
        )

    def route(self, topic: str) -> TopicMatch:
        """The rule for a topic, with the gateway and probe that the topic names.

        Raises
        ------
        DecodeError : `no_rule`, or `bad_probe` when the level in the probe's place can't be an id.
        """
        known = self._cache.get(topic)
        if known is None:
            known = self._find(topic)
            if len(self._cache) >= _CACHED_TOPICS:
                self._cache.clear()
            self._cache[topic] = known
        return known

    def _find(self, topic: str) -> TopicMatch:
        for pattern, rule, mapping in self._rules:
            names = pattern.match(topic)
            if names is not None:
                probe, gateway = names.get("probe"), names.get("gateway")
                return TopicMatch(
                    rule, mapping, gateway, None if probe is None else checked_probe(probe), names.get("job")
                )
        raise DecodeError(
            "no_rule",
            "no rule says what this topic carries",
            where=topic,
            remedy="Add a rule for it under `topics` in the settings, then release what is held",
        )

    @staticmethod
    def _compiled(rule: TopicRule) -> tuple[TopicPattern, TopicRule, CompiledMapping | None]:
        pattern = TopicPattern(rule.pattern)
        mapping = None if rule.mapping is None else CompiledMapping(rule.mapping, where=rule.pattern)
        if rule.format is PayloadFormat.OUTDOOR_FORECAST and "{job}" not in rule.pattern:
            raise ConfigurationError(
                f"nothing says which job a forecast on {rule.pattern!r} is for",
                where="topics",
                remedy="Put {job} into the pattern",
            )
        named = "{probe}" in rule.pattern or (rule.mapping is not None and rule.mapping.probe is not None)
        if not named and rule.format in (PayloadFormat.READING_JSON, PayloadFormat.MAPPED_JSON):
            raise ConfigurationError(
                f"nothing says which probe a payload of {rule.pattern!r} is from",
                where="topics",
                remedy="Put {probe} into the pattern, or give `mapping.probe`",
            )
        return pattern, rule, mapping


def checked_probe(probe: object) -> str:
    """The text as a probe's id.

    Raises
    ------
    DecodeError : `bad_probe`.
    """
    try:
        return _IDENTIFIER.validate_python(probe, strict=True)
    except ValidationError:
        raise DecodeError(
            "bad_probe",
            f"{short(probe, 140)} can't be a probe's id",
            where="probe",
            why="an id is 1 to 128 characters, without spaces and without / + #, and does not begin with $",
            remedy="Give the probe another id at its gateway",
        ) from None
