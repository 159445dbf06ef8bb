"""Several processes that take readings from one broker: members of a group, each with a session of its own.

The broker gives each message to one member (shared subscriptions: MQTT 5.0, 4.8.2). Messages of one probe may so be
committed out of order and by different members, which changes nothing: readings are kept by probe and time. Retained
messages do not come on shared subscriptions; a retained reading is an old one, and its live copy has been stored.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from monitord.errors import ConfigurationError
from monitord.model.config.broker import BrokerSettings, TopicRule

MEMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,31}")


def check_group(member: str, brokers: Iterable[BrokerSettings], rules: Sequence[TopicRule]) -> None:
    """Whether readings can be shared at all.

    Raises
    ------
    ConfigurationError : the name is none, a broker is spoken to in MQTT 3.1.1, or a rule needs all messages of a topic
        in one process.
    """
    if MEMBER.fullmatch(member) is None:
        raise ConfigurationError(
            f"{member!r} can't be the name of one of several ingest processes",
            where="--name",
            remedy="Write up to 32 letters, digits, dots, dashes or underscores, such as 1",
        )
    if any(broker.protocol != "5" for broker in brokers):
        raise ConfigurationError(
            "several ingest processes need MQTT 5",
            where="broker.protocol",
            why="shared subscriptions are part of MQTT 5 only",
            remedy='Write protocol = "5", or run one ingest process without --name',
        )
    for rule in rules:
        mapping = rule.mapping
        if mapping is not None and (mapping.join_within_s is not None or mapping.repeats_are_cached):
            key = "join_within_s" if mapping.join_within_s is not None else "repeats_are_cached"
            raise ConfigurationError(
                f"the rule for {rule.pattern} needs one ingest process: it has {key}",
                where="topics",
                why="it compares messages with the ones before, which another process may have taken",
                remedy="Run one ingest process, without --name",
            )


def as_member(
    broker: BrokerSettings, filters: Sequence[str], member: str | None
) -> tuple[BrokerSettings, tuple[str, ...]]:
    """How one member signs in to a broker, and what it subscribes to; None: it is the only one.

    The group is named by the client id of the settings.
    """
    if member is None:
        return broker, tuple(filters)
    group = re.sub(r"[/+#]", "-", broker.client_id)
    one = broker.model_copy(update={"client_id": f"{broker.client_id}-{member}"})
    return one, tuple(f"$share/{group}/{name}" for name in filters)
