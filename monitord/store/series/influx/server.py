"""The server's side: one write at a time, and what its answer means for us.

The library's own batching keeps points in memory alone and drops them when an outage outlasts its retries, so we write
synchronously and keep what is due ourselves.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any, NamedTuple

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from monitord.errors import StoreError
from monitord.model.config.influx_settings import InfluxSettings

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

    def __init__(self, settings: InfluxSettings) -> None:
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

    def query(self, text: str) -> list[list[list[Any]]]:
        """Ask in InfluxQL, statements with `;` between them; the rows of each, times in milliseconds.

        Raises
        ------
        StoreError : the server is away, or does not answer this.
        """
        try:
            answer = self._client.api_client.call_api(
                "/query",
                "POST",
                header_params={"Content-Type": "application/x-www-form-urlencoded"},
                query_params=[("db", self._settings.bucket), ("epoch", "ms")],
                post_params=[("q", text)],
                auth_settings=[],
                _preload_content=False,
            )
            found = json.loads(answer[0].data, parse_int=_whole)["results"]
        except ApiException as error:
            raise self._refused(f"{error.status}: {_text(error)[:_SHOWN]}") from error
        except (HTTPError, OSError, ValueError, KeyError) as error:
            raise self._refused(str(error)[:_SHOWN]) from error
        problem = next((result["error"] for result in found if "error" in result), None)
        series = [part for result in found for part in result.get("series", ())]
        if problem is None and any(part.get("partial") for part in series):
            problem = "it keeps back rows: `max-row-limit` of its settings must be 0"
        if problem is not None:
            raise self._refused(problem)
        return [[row for part in result.get("series", ()) for row in part["values"]] for result in found]

    def _refused(self, why: str) -> StoreError:
        return StoreError(
            "InfluxDB does not answer what it is asked",
            where=f"{self._settings.url} {self._settings.bucket}",
            why=why,
            remedy="See that it runs, and check `store.token` and `store.bucket`; on InfluxDB 2 the bucket needs a "
            "mapping of a database (influx v1 dbrp create)",
        )

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


def _whole(digits: str) -> int | float:
    """A number without a point; JSON knows a zero with a minus sign, and Python's whole numbers don't."""
    return -0.0 if digits == "-0" else int(digits)


def _text(error: ApiException) -> str:
    body = error.body
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or error.reason or "")
    return " ".join(text.split())
