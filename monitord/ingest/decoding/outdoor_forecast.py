"""Forecasts of the outdoor air, from the payload of a topic or of a file."""

from __future__ import annotations

from datetime import datetime, timedelta

from pydantic import ValidationError
from pydantic_core import from_json

from monitord.errors import DecodeError
from monitord.ingest.decoding.records import from_validation
from monitord.model.outdoor_forecast import OutdoorForecastDocument

MAX_BYTES = 2**18
"""Of a forecast: 400 hours take a fifth of this. Our choice."""
_AHEAD = timedelta(minutes=10)
"""A sender's clock may be so far ahead of ours."""


def decode(payload: bytes, received_at: datetime) -> OutdoorForecastDocument:
    """Read a forecast.

    Raises
    ------
    DecodeError : `not_json`; `from_the_future`, it says that it was issued after it arrived; or what is wrong in it.
    """
    if len(payload) > MAX_BYTES:
        raise DecodeError("bad_forecast", f"a forecast of {len(payload):,} bytes; {MAX_BYTES:,} are allowed")
    try:
        found = OutdoorForecastDocument.model_validate_json(payload, strict=True)
    except ValidationError as error:
        raise _problem(payload, error) from None
    if found.issued_at > received_at + _AHEAD:
        raise DecodeError(
            "from_the_future",
            f"issued at {found.issued_at:%Y-%m-%dT%H:%M:%SZ}, which is after it arrived",
            where="issued_at",
            remedy="Correct the sender's clock, or write the time with its offset",
        )
    return found


def _problem(payload: bytes, error: ValidationError) -> DecodeError:
    try:
        from_json(payload)
    except ValueError as why:
        return DecodeError("not_json", "the forecast is not JSON", why=str(why))
    first = error.errors(include_url=False, include_context=False)[0]
    if first["type"] == "value_error":  # our own words
        return DecodeError("bad_forecast", first["msg"].removeprefix("Value error, "), remedy="Correct the sender")
    return from_validation(error)
