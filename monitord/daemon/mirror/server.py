"""The server's side: one write at a time, and what its answer means for us.

The library's own batching keeps points in memory alone and drops them when an outage outlasts its retries, so we write
synchronously and keep what is due ourselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any, NamedTuple

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from monitord.model.config.mirror_settings import MirrorSettings

MAX_POINTS = 5000
"""Points in one write: what the server's makers advise as a batch."""
_SHOWN = 300


class Verdict(StrEnum):
    """What an answer means."""

    ACCEPTED = "accepted"
    TOO_OLD = "too_old"
    """Taken, but for points older than the server keeps any."""
    BAD_LINE = "bad_line"
    """Something in these lines is refused, and would be again."""
    REFUSED = "refused"
    """Nothing is taken until someone changes something: the token, the bucket."""
    AWAY = "away"
    """Not now: try again."""


class Answer(NamedTuple):
    """What the server said."""

    verdict: Verdict
    reason: str = ""
    wait_s: float | None = None
    """How long it asks us to wait. [s]"""


class Server:
    """Writes lines to one bucket."""

    def __init__(self, settings: MirrorSettings) -> None:
        self._settings = settings
        self._client = InfluxDBClient(
            url=settings.url,
            token=settings.secret(),
            org=settings.org,
            timeout=round(settings.timeout_s * 1000),
            enable_gzip=True,
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: Sequence[str]) -> Answer:
        """Write at most `MAX_POINTS` lines; returns when the server has answered, or does not."""
        if len(lines) > MAX_POINTS:
            raise ValueError(f"{len(lines)} points in one write; at most {MAX_POINTS}")
        settings = self._settings
        try:
            precision: Any = WritePrecision.MS  # its own annotation says the class, and the class is a name for texts
            self._write.write(settings.bucket, settings.org, list(lines), write_precision=precision)
        except ApiException as error:
            return answer_of(error.status, _text(error), error.headers or {})
        except (HTTPError, OSError) as error:
            return Answer(Verdict.AWAY, str(error)[:_SHOWN])
        return Answer(Verdict.ACCEPTED)

    def close(self) -> None:
        """Let go of the connections."""
        self._client.close()


def answer_of(status: int | None, text: str, headers: Mapping[str, str]) -> Answer:
    """What a status other than success means.

    400 and 422: a line is wrong, or older than the retention allows; the others of the write may have been taken.
    413: the write is too large. 401, 403, 404: token, right or bucket. All others, 429 and 5xx among them, pass.
    """
    reason = f"{status}: {text[:_SHOWN]}"
    if status in (400, 413, 422):
        too_old = "retention policy" in text and "type conflict" not in text and "unable to parse" not in text
        return Answer(Verdict.TOO_OLD if too_old else Verdict.BAD_LINE, reason)
    if status in (401, 403, 404):
        return Answer(Verdict.REFUSED, reason)
    asked = headers.get("Retry-After", "")
    return Answer(Verdict.AWAY, reason, float(asked) if asked.isdigit() else None)


def _text(error: ApiException) -> str:
    body = error.body
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or error.reason or "")
    return " ".join(text.split())
