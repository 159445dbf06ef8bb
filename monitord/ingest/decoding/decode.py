"""Bytes of a topic to readings, whatever the bytes are."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from monitord.errors import DecodeError
from monitord.ingest.decoding import native_json, outdoor_forecast, senml
from monitord.ingest.decoding.records import Decoded, RecordSource
from monitord.ingest.decoding.topics import TopicMatch, TopicRules
from monitord.model.config.broker import PayloadFormat
from monitord.model.readings import Reading


class PartlyDecodedError(DecodeError):
    """Some records of a payload can't be understood; `readings` are those that can."""

    def __init__(self, readings: Sequence[Reading], problems: Sequence[DecodeError]) -> None:
        first = problems[0]
        more = f"; {len(problems) - 1} more records likewise" if len(problems) > 1 else ""
        super().__init__(
            first.code, first.what, where=first.where, why=(first.why or "") + more or None, remedy=first.remedy
        )
        self.readings = tuple(readings)


def decode(
    topic: str, payload: bytes, received_at: datetime, rules: TopicRules, *, retained: bool = False
) -> tuple[Reading, ...]:
    """Read a payload by the rule of its topic.

    Parameters
    ----------
    topic : the topic it was published on.
    payload : any bytes. An empty payload carries nothing (it is how a retained message is removed).
    received_at : when it reached this program; aware.
    rules : the rules that hold.
    retained : the broker replayed a message that it had kept.

    Returns
    -------
    The readings, in the payload's order; none for a status message, an empty payload, or a forecast, which is
    only checked here.

    Raises
    ------
    PartlyDecodedError : some records are bad; it carries the good ones.
    DecodeError : nothing of it can be understood. Never another exception, whatever the bytes are.
    """
    route = rules.route(topic)
    if not payload or route.rule.format is PayloadFormat.STATUS:
        return ()
    source = RecordSource(received_at, route.gateway, route.probe, retained)
    try:
        readings, problems = _read(route, payload, source)
    except DecodeError:
        raise
    except Exception as error:  # a decoder's own mistake must not stop the readings behind this payload
        raise DecodeError(
            "decoder_failed",
            "the decoder failed on this payload",
            where=topic,
            why=f"{type(error).__name__}: {str(error)[:200]}",
            remedy="Keep it held and report it; it can be released by a later version",
        ) from error
    if problems:
        raise PartlyDecodedError(readings, problems)
    return tuple(readings)


def _read(route: TopicMatch, payload: bytes, source: RecordSource) -> Decoded:
    match route.rule.format:
        case PayloadFormat.READING_JSON:
            return native_json.decode(payload, source)
        case PayloadFormat.SENML_JSON:
            return senml.decode_json(payload, source)
        case PayloadFormat.SENML_CBOR:
            return senml.decode_cbor(payload, source)
        case PayloadFormat.OUTDOOR_FORECAST:
            outdoor_forecast.decode(payload, source.received_at)
            return Decoded([], [])
        case _:
            assert route.mapping is not None  # topics.RuleBook compiles one for each mapped rule
            return route.mapping.decode(payload, source)
