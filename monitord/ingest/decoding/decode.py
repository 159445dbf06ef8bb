"""Bytes of a topic to readings, whatever the bytes are."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from monitord.errors import DecodeError
from monitord.ingest.decoding import metar_reports, native_json, outdoor_forecast, senml
from monitord.ingest.decoding.records import Decoded, Half, RecordSource
from monitord.ingest.decoding.topics import TopicMatch, TopicRules
from monitord.model.config.broker import PayloadFormat
from monitord.model.outdoor_forecast import OutdoorForecastDocument
from monitord.model.readings import Reading
from monitord.store.db.times import to_ms
from monitord.store.series.raw_reading import RawReading


class JobForecast(NamedTuple):
    """A forecast of the outdoor air, and whose it is."""

    job: str
    forecast: OutdoorForecastDocument


class Content(NamedTuple):
    """What one payload holds."""

    readings: tuple[Reading, ...] = ()
    """In the payload's order."""
    forecast: JobForecast | None = None
    halves: tuple[Half, ...] = ()
    """Halves of readings whose other half comes in another message."""
    passed: bool = False
    """No reading, by the `when` of each rule for its topic: not kept."""
    repeats_are_cached: bool = False
    """The same again from the same topic does not count as seen."""


class PartlyDecodedError(DecodeError):
    """Some records of a payload can't be understood; `readings` are those that can."""

    def __init__(self, decoded: Decoded) -> None:
        first = decoded.problems[0]
        more = f"; {decoded.bad - 1} more records likewise" if decoded.bad > 1 else ""
        super().__init__(
            first.code, first.what, where=first.where, why=(first.why or "") + more or None, remedy=first.remedy
        )
        self.readings = tuple(decoded.readings)
        self.halves = tuple(decoded.halves)


def decode(
    topic: str,
    payload: bytes,
    received_at: datetime,
    rules: TopicRules,
    *,
    retained: bool = False,
    delayed: bool = False,
) -> Content:
    """Read a payload by the rule of its topic.

    Parameters
    ----------
    topic : the topic it was published on.
    payload : any bytes. An empty payload carries nothing (it is how a retained message is removed).
    received_at : when it reached this program; aware.
    rules : the rules that hold.
    retained : the broker replayed a message that it had kept.
    delayed : it came in the backlog after a connect, so that it may have waited.

    Returns
    -------
    Its readings, or its forecast; nothing for a status message or an empty payload.

    Raises
    ------
    PartlyDecodedError : some records are bad; it carries the good ones.
    DecodeError : nothing of it can be understood. Never another exception, whatever the bytes are.
    """
    routes = rules.routes(topic)
    if not payload:
        return Content()
    for route in routes:
        if route.rule.format is PayloadFormat.STATUS:
            return Content()
        source = RecordSource(received_at, route.gateway, route.probe, retained, delayed, route.levels)
        content = by_rule(route, payload, source)
        if not content.passed:
            return content
    return Content(passed=True)


def quick_rows(topic: str, payload: bytes, received_at: datetime, rules: TopicRules) -> list[RawReading]:
    """The readings of a payload of our own format in which all is right, as a store has them, at a third of the cost.

    None for anything else, be it right or wrong: then `decode` it.

    Raises
    ------
    DecodeError : no rule for the topic, or it can't be understood.
    """
    route = rules.route(topic)
    if route.rule.format is not PayloadFormat.READING_JSON or route.probe is None:
        return []
    return native_json.quick_rows(payload, route.probe, route.gateway, to_ms(received_at))


def by_rule(route: TopicMatch, payload: bytes, source: RecordSource) -> Content:
    """What one rule makes of a payload; `passed` where its `when` says that it is no reading.

    Raises
    ------
    PartlyDecodedError, DecodeError : as `decode`.
    """
    try:
        if route.rule.format is PayloadFormat.OUTDOOR_FORECAST:
            return _forecast(route, payload, source.received_at)
        decoded = _read(route, payload, source)
    except DecodeError:
        raise
    except Exception as error:  # a decoder's own mistake must not stop the readings behind this payload
        raise DecodeError(
            "decoder_failed",
            "the decoder failed on this payload",
            where=route.rule.pattern,
            why=f"{type(error).__name__}: {str(error)[:200]}",
            remedy="Keep it held and report it; it can be released by a later version",
        ) from error
    if decoded is None:
        return Content(passed=True)
    if decoded.problems:
        raise PartlyDecodedError(decoded)
    cached = route.mapping is not None and route.mapping.settings.repeats_are_cached
    return Content(tuple(decoded.readings), None, tuple(decoded.halves), False, cached)


def _forecast(route: TopicMatch, payload: bytes, received_at: datetime) -> Content:
    if not route.job:  # a level of a topic may be empty
        raise DecodeError("bad_forecast", "the topic names no job", remedy="Put the job's id where {job} stands")
    return Content(forecast=JobForecast(route.job, outdoor_forecast.decode(payload, received_at)))


def _read(route: TopicMatch, payload: bytes, source: RecordSource) -> Decoded | None:
    match route.rule.format:
        case PayloadFormat.READING_JSON:
            return native_json.decode(payload, source)
        case PayloadFormat.SENML_JSON:
            return senml.decode_json(payload, source)
        case PayloadFormat.SENML_CBOR:
            return senml.decode_cbor(payload, source)
        case PayloadFormat.METAR:
            return metar_reports.decode(payload, source)
        case _:
            assert route.mapping is not None  # topics.TopicRules compiles one for each mapped rule
            return route.mapping.decode(payload, source)
