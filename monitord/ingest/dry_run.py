"""What rules make of one message, step by step, and a draft of a rule for what none takes."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import tomli_w
from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding.decode import Content, PartlyDecodedError, by_rule, decode
from monitord.ingest.decoding.records import RecordSource
from monitord.ingest.decoding.times import PER_SECOND, read_number, read_text
from monitord.ingest.decoding.topics import TopicMatch, TopicRules
from monitord.model.config.broker import PayloadFormat, TopicRule
from monitord.model.explain import read_toml
from monitord.model.readings import Reading

_LONGEST = 300
"""Characters of a value that is shown."""
_DEEPEST = 8
"""Maps within each other that a draft looks into."""
_NAMES = {
    "temperature_c": ("temperature", "temperature_c", "temp", "tempc", "temp_c", "tc", "celsius", "air_temperature"),
    "relative_humidity_pct": ("humidity", "relative_humidity", "relativehumidity", "hum", "rh", "humidity_pct"),
    "time": ("time", "timestamp", "ts", "at", "last_seen", "received_at", "unixtime", "datetime"),
}
"""Words that gateways use, as the recipes have them."""
_COMMON = frozenset(
    {"sensor", "up", "state", "event", "events", "reading", "data", "telemetry", "status", "rpc", "json"}
)
"""Last levels of topics that name no device."""
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


class Step(NamedTuple):
    """One step from a message to its readings."""

    what: str
    found: str


_RULES: TypeAdapter[tuple[TopicRule, ...]] = TypeAdapter(tuple[TopicRule, ...])


def rules_from(text: str, where: str) -> TopicRules:
    """Rules as they stand in the settings, [[topics]] in TOML; our own topics come after them.

    Raises
    ------
    ConfigurationError : they can't be used; it names `where`.
    """
    try:
        return TopicRules(_RULES.validate_python(read_toml(text).get("topics", [])))
    except (tomllib.TOMLDecodeError, ValidationError) as error:
        raise ConfigurationError(
            "the rules can't be used",
            where=where,
            why=" ".join(str(error).split()),
            remedy="Write them as [[topics]] of the settings; RECIPES.md has one for many kinds of gateway",
        ) from None


def explain(topic: str, payload: bytes, received_at: datetime, rules: TopicRules) -> list[Step]:
    """Each step that the rules of a topic take with a payload, as if it had come live at `received_at`."""
    steps: list[Step] = []
    try:
        routes = rules.routes(topic)
    except DecodeError as error:
        return [Step("topic", f"held: {error.message}")]
    for route in routes:
        content = _explain_one(route, payload, received_at, steps)
        if content is None or not content.passed:
            break
    return steps


def _explain_one(route: TopicMatch, payload: bytes, received_at: datetime, steps: list[Step]) -> Content | None:
    """Add the steps of one rule; what came of it, None where it is held."""
    steps.append(Step("rule", f"{route.rule.pattern} ({route.rule.format})"))
    steps.extend(Step(f"level {{{name}}}", value) for name, value in route.levels.items() if value is not None)
    if not payload or route.rule.format is PayloadFormat.STATUS:
        steps.append(Step("result", "taken, and nothing is stored"))
        return Content()
    source = RecordSource(received_at, route.gateway, route.probe, levels=route.levels)
    content: Content | None = None
    try:
        if route.mapping is not None:
            steps.extend(Step(name, shown(value)) for name, value in route.mapping.trace(payload, source))
        content = by_rule(route, payload, source)
        steps.extend(_results(content))
    except PartlyDecodedError as error:
        steps.extend(Step("reading", said(reading)) for reading in error.readings)
        steps.append(Step("result", f"held: {error.message}"))
    except DecodeError as error:
        steps.append(Step("result", f"held: {error.message}"))
    return content


def _results(content: Content) -> Iterator[Step]:
    if content.passed:
        yield Step("result", "no reading by this rule's `when`: passed over")
    for reading in content.readings:
        yield Step("reading", said(reading))
    for half in content.halves:
        yield Step("half", f"{half.values} waits {half.within_s:g} s for its other half")
    if content.forecast is not None:
        yield Step("forecast", f"of the outdoor air for job {content.forecast.job}")


def said(reading: Reading) -> str:
    """A reading in one line, with what of it is known."""
    fields = reading.model_dump(mode="json", exclude_none=True, exclude={"received_at"})
    return ", ".join(f"{name} {value}" for name, value in fields.items())


def shown(value: object) -> str:
    """The beginning of a value, as JSON."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}... ({len(text):,} characters)"


def draft(topic: str, payload: bytes, received_at: datetime) -> str | None:
    """A rule that a person may start from, as TOML; None where no temperature and humidity are found by their names.

    It is tried on the message it is made from: what it would not take is not proposed.
    """
    try:
        whole = from_json(payload)
    except ValueError:
        return None
    found = {name: _search(whole, words) for name, words in _NAMES.items()}
    if found["temperature_c"] is None or found["relative_humidity_pct"] is None:
        return None
    mapping: dict[str, Any] = _time(found["time"], received_at)
    for name in ("temperature_c", "relative_humidity_pct"):
        path, _ = found[name] or ("", None)
        mapping[name] = {"path": path}
    when = " && ".join(f"{mapping[name]['path']} != `null`" for name in ("temperature_c", "relative_humidity_pct"))
    rule = {"pattern": _pattern(topic), "format": "mapped-json", "when": when, "mapping": mapping}
    try:
        content = decode(topic, payload, received_at, TopicRules([TopicRule.model_validate(rule)]))
    except (DecodeError, ConfigurationError, ValidationError):  # a topic that no pattern can name has no rule
        return None
    return tomli_w.dumps({"topics": [rule]}) if content.readings else None


def _search(value: object, words: Sequence[str], path: str = "", depth: int = 0) -> tuple[str, object] | None:
    """Where the first of the words stands as a key of a number or text, the shallowest first."""
    if not isinstance(value, dict) or depth > _DEEPEST:
        return None
    for word in words:
        for key, item in value.items():
            if key.lower() == word and isinstance(item, int | float | str) and not isinstance(item, bool):
                return _joined(path, key), item
    for key, item in value.items():
        found = _search(item, words, _joined(path, key), depth + 1)
        if found is not None:
            return found
    return None


def _joined(path: str, key: str) -> str:
    name = key if _PLAIN.fullmatch(key) else json.dumps(key)
    return f"{path}.{name}" if path else name


def _time(found: tuple[str, object] | None, received_at: datetime) -> dict[str, Any]:
    """The keys of a mapping for the time; a stamp that can't be read is left aside for the arrival."""
    if found is not None:
        path, value = found
        for unit in PER_SECOND:
            if isinstance(value, int | float) and _reads(lambda v, u=unit: read_number(v, u, received_at), value):
                return {"time": path, "time_format": str(unit)}
        if isinstance(value, str) and _reads(lambda v: read_text(v, None, received_at), value):
            return {"time": path}
        if isinstance(value, str) and _reads(lambda v: read_text(v, "UTC", received_at), value):
            return {"time": path, "time_zone": "UTC"}
    return {"time_format": "arrival"}


def _reads(read: Any, value: object) -> bool:
    try:
        read(value)
    except DecodeError:
        return False
    return True


def _pattern(topic: str) -> str:
    """The topic with `{probe}` for its last level that is no common word."""
    levels = topic.split("/")
    for at in reversed(range(len(levels))):
        if levels[at] and levels[at].lower() not in _COMMON:
            levels[at] = "{probe}"
            break
    else:
        levels[-1] = "{probe}"
    return "/".join(levels)
