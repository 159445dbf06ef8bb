"""Which rule holds for a topic, and what the topic itself says: gateway and probe."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding.mapping import CompiledMapping
from monitord.ingest.decoding.records import checked_probe
from monitord.model.config.broker import DEFAULT_TOPIC_RULES, PayloadFormat, TopicRule

_PLACEHOLDER = re.compile(r"\{([a-z][a-z0-9_]*)\}")
_WITH_PLACEHOLDER = re.compile(r"([^+#{}\x00]*)\{([a-z][a-z0-9_]*)\}([^+#{}\x00]*)")
"""A level that is a placeholder, or has one with text before or after it."""
_OWN_NAMES = frozenset({"gateway", "probe", "job"})
"""Placeholders that mean something to every format; others are for the expressions of a mapping."""
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
    levels: Mapping[str, str] = {}
    """All levels that the pattern names."""


_NOT_FOR_US = TopicMatch(TopicRule(pattern="#", format=PayloadFormat.STATUS), None, None, None)
"""What a filter brings that is wider than its pattern: taken, and not stored."""


class TopicPattern:
    """A rule's pattern, ready for use.

    `filter` is what is subscribed to: the pattern with `+` for each placeholder.
    """

    def __init__(self, pattern: str) -> None:
        levels = pattern.split("/")
        self._check(pattern, levels)
        self.pattern = pattern
        self.names = frozenset(_PLACEHOLDER.findall(pattern))
        self.filter = "/".join("+" if _PLACEHOLDER.search(level) else level for level in levels)
        self._regex = re.compile(self._expression(levels), re.DOTALL)
        self._wide = re.compile(self._expression(self.filter.split("/")), re.DOTALL)

    def match(self, topic: str) -> dict[str, str] | None:
        """Names found in a topic (`gateway`, `probe`, `job`), or None if the pattern does not cover it."""
        if self._is_the_brokers(topic):
            return None
        found = self._regex.fullmatch(topic)
        return None if found is None else found.groupdict()

    def subscribes(self, topic: str) -> bool:
        """Whether the filter covers a topic, which it also may where the pattern has text beside a placeholder."""
        return not self._is_the_brokers(topic) and self._wide.fullmatch(topic) is not None

    def _is_the_brokers(self, topic: str) -> bool:
        """MQTT 5.0, 4.7.2: a leading wildcard does not reach the broker's own topics."""
        return topic.startswith("$") and self.filter[0] in "+#"

    def covers(self, other: str) -> bool:
        """Whether every topic that another filter matches is matched by this one."""
        if other.endswith("#") and not self.filter.endswith("#"):
            return False
        return self.subscribes(other)  # a wildcard of the other one stands for a level as any name does

    @staticmethod
    def _check(pattern: str, levels: list[str]) -> None:
        why = None
        for i, level in enumerate(levels):
            if level == "#":
                why = None if i == len(levels) - 1 else "`#` stands only at the end"
            elif level != "+" and re.search(r"[+#{}\x00]", level) and _WITH_PLACEHOLDER.fullmatch(level) is None:
                why = f"the level {level!r} mixes a wildcard with text, or has two placeholders or a bad one"
            elif (found := _PLACEHOLDER.search(level)) and pattern.count(found[0]) > 1:
                why = f"{found[0]} stands twice"
            if why:
                raise ConfigurationError(
                    f"{pattern!r} is not a topic pattern",
                    where="topics",
                    why=why,
                    remedy="Write an MQTT topic filter in which {gateway}, {probe} and {job} stand for one level each, "
                    "or for a part of one",
                )

    @staticmethod
    def _expression(levels: list[str]) -> str:
        parts = [_level(level) for level in levels if level != "#"]
        expression = "/".join(parts)
        if levels[-1] != "#":
            return expression
        return f"{expression}(?:/.*)?" if parts else ".*"


def _level(level: str) -> str:
    """The regular expression of one level; a part of a level is never empty, a whole one may be."""
    found = _WITH_PLACEHOLDER.fullmatch(level)
    if found is None:
        return "[^/]*" if level == "+" else re.escape(level)
    before, name, after = found.groups()
    return f"{re.escape(before)}(?P<{name}>[^/]{'+' if before or after else '*'}){re.escape(after)}"


class TopicRules:
    """All rules, checked and ready: those of the settings first, then our own topics.

    Raises
    ------
    ConfigurationError : a pattern or an expression of a mapping is wrong.
    """

    def __init__(self, rules: Sequence[TopicRule] = ()) -> None:
        self._rules = [self._compiled(rule) for rule in (*rules, *DEFAULT_TOPIC_RULES)]
        self._cache: dict[str, tuple[TopicMatch, ...]] = {}

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
        """The first rule for a topic, with the gateway and probe that the topic names.

        Raises
        ------
        DecodeError : `no_rule`, or `bad_probe` when the level in the probe's place can't be an id.
        """
        return self.routes(topic)[0]

    def routes(self, topic: str) -> tuple[TopicMatch, ...]:
        """The rules for a topic, in order: those with a `when`, up to the first without one, which holds in any case.

        Raises
        ------
        DecodeError : as `route`.
        """
        known = self._cache.get(topic)
        if known is None:
            known = self._find(topic)
            if len(self._cache) >= _CACHED_TOPICS:
                self._cache.clear()
            self._cache[topic] = known
        return known

    def _find(self, topic: str) -> tuple[TopicMatch, ...]:
        found: list[TopicMatch] = []
        for pattern, rule, mapping in self._rules:
            names = pattern.match(topic)
            if names is None:
                continue
            probe, gateway = names.get("probe"), names.get("gateway")
            if probe is not None and (mapping is None or not (rule.mapping and rule.mapping.replace_in_ids)):
                checked_probe(probe)
            found.append(TopicMatch(rule, mapping, gateway, probe, names.get("job"), names))
            if rule.when is None:
                break
        if found:
            return tuple(found)
        if any(pattern.subscribes(topic) for pattern, _, _ in self._rules):
            return (_NOT_FOR_US,)
        raise DecodeError(
            "no_rule",
            "no rule says what this topic carries",
            where=topic,
            remedy="Add a rule for it under `topics` in the settings, then release what is held",
        )

    @staticmethod
    def _compiled(rule: TopicRule) -> tuple[TopicPattern, TopicRule, CompiledMapping | None]:
        pattern = TopicPattern(rule.pattern)
        mapping = None if rule.mapping is None else CompiledMapping(rule.mapping, rule.pattern, rule.when)
        if rule.format is PayloadFormat.OUTDOOR_FORECAST and "{job}" not in rule.pattern:
            raise ConfigurationError(
                f"nothing says which job a forecast on {rule.pattern!r} is for",
                where="topics",
                remedy="Put {job} into the pattern",
            )
        if mapping is None and pattern.names - _OWN_NAMES:
            raise ConfigurationError(
                f"{rule.pattern!r} names {', '.join(sorted(pattern.names - _OWN_NAMES))}, which nothing reads",
                where="topics",
                why="placeholders other than {gateway}, {probe} and {job} are for the expressions of a mapping",
                remedy="Correct the name, or write + for the level",
            )
        named = "{probe}" in rule.pattern or (rule.mapping is not None and rule.mapping.probe is not None)
        if not named and rule.format in (PayloadFormat.READING_JSON, PayloadFormat.MAPPED_JSON):
            raise ConfigurationError(
                f"nothing says which probe a payload of {rule.pattern!r} is from",
                where="topics",
                remedy="Put {probe} into the pattern, or give `mapping.probe`",
            )
        return pattern, rule, mapping
