"""`monitord topics`: a rule tried on a message, and what arrives, live. Neither stores anything."""

from __future__ import annotations

import os
import queue
import sys
import threading
from argparse import Namespace
from pathlib import Path
from time import monotonic

from monitord.cli.common import out, settings_of
from monitord.clock import SystemClock
from monitord.errors import BrokerError, ConfigurationError
from monitord.ingest.decoding.topics import TopicPattern, TopicRules
from monitord.ingest.dry_run import draft, explain, rules_from
from monitord.ingest.mqtt.connection import Connection
from monitord.ingest.mqtt.link import Arrival
from monitord.ingest.writer import IncomingMessage
from monitord.model.config.broker import BrokerSettings
from monitord.model.config.settings import Settings

_WAIT_S = 0.2
_MOST_DRAFTS = 20
"""Drafts that one watch proposes at most: a busy broker has thousands of topics."""
_WIDTH = 14


def try_rule(parsed: Namespace) -> int:
    """Show step by step what the rules make of a message; 1 where it is held."""
    rules = _rules(parsed)
    payload = sys.stdin.buffer.read() if str(parsed.payload) == "-" else _read(parsed.payload)
    return 0 if _show(IncomingMessage(parsed.topic, payload, SystemClock().now()), rules, drafts=True) else 1


def watch(parsed: Namespace) -> int:
    """Show what arrives for a while, under a session of its own that takes no message away from the daemon."""
    rules = _rules(parsed)
    TopicPattern(parsed.filter)
    settings = _broker(settings_of(parsed), parsed.broker)
    settings = settings.model_copy(update={"client_id": f"{settings.client_id}-watch-{os.getpid()}"[-128:]})
    arrived: queue.SimpleQueue[list[Arrival]] = queue.SimpleQueue()
    link = Connection(settings, [parsed.filter], SystemClock(), arrived.put, lambda: True, lasting=False)
    network = threading.Thread(target=link.run, name="topics-watch", daemon=True)
    network.start()
    try:
        seen = _watch(arrived, link, rules, monotonic() + parsed.for_s, parsed.count)
    finally:
        link.close()
        network.join(5.0)
    if seen == 0 and isinstance(link.state.error, BrokerError):
        raise link.state.error
    out(f"{seen} messages")
    return 0


def _broker(settings: Settings, name: str) -> BrokerSettings:
    known = settings.all_brokers
    if name not in known:
        raise ConfigurationError(f"there is no broker {name!r}", remedy=f"Write one of {', '.join(known)}")
    return known[name]


def _watch(
    arrived: queue.SimpleQueue[list[Arrival]], link: Connection, rules: TopicRules, until: float, most: int | None
) -> int:
    seen, drafted = 0, set[str]()
    while monotonic() < until and (most is None or seen < most):
        try:
            burst = arrived.get(timeout=_WAIT_S)
        except queue.Empty:
            continue
        for arrival in burst[: None if most is None else most - seen]:
            topic = arrival.message.topic
            new = topic not in drafted and len(drafted) < _MOST_DRAFTS
            if not _show(arrival.message, rules, drafts=new) and new:
                drafted.add(topic)
            seen += 1
        link.acknowledge([arrival.token for arrival in burst if arrival.token is not None])
    return seen


def _show(message: IncomingMessage, rules: TopicRules, *, drafts: bool) -> bool:
    """Print the steps of a message; whether it would not be held."""
    out(f"{message.topic}: {len(message.payload):,} bytes{', retained' if message.retained else ''}")
    steps = explain(message.topic, message.payload, message.received_at, rules)
    for step in steps:
        out(f"  {step.what:<{_WIDTH}} {_printable(step.found)}")
    taken = not steps[-1].found.startswith("held:")
    if not taken and drafts:
        proposal = draft(message.topic, message.payload, message.received_at)
        if proposal is not None:
            out("  A draft of a rule that would take it. Check pattern, units and time before you use it:")
            for line in proposal.splitlines():
                out(f"    {_printable(line)}")
    return taken


def _printable(text: str) -> str:
    """What came over the network may hold control characters that a terminal would obey."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def _rules(parsed: Namespace) -> TopicRules:
    if parsed.rules is None:
        return TopicRules(settings_of(parsed).topics)
    try:
        text = _read(parsed.rules).decode()
    except UnicodeDecodeError as error:
        raise ConfigurationError("the rules are no text in UTF-8", where=str(parsed.rules), why=str(error)) from None
    return rules_from(text, str(parsed.rules))


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ConfigurationError("the file can't be read", where=str(path), why=error.strerror) from None
