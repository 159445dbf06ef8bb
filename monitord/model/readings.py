"""A reading: what a probe reported, raw and never altered."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field

Identifier = Annotated[
    str, Field(min_length=1, max_length=128, pattern=r"^[^\s\x00-\x1f\x7f/+#$][^\s\x00-\x1f\x7f/+#]*$")
]
"""An id of a job, location, probe or gateway: no spaces, control characters or `/ + #`, so it can stand in a topic."""


def _to_utc(value: datetime) -> datetime:
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise ValueError("in UTC this time lies outside the years 1 to 9999") from None


UtcTime = Annotated[AwareDatetime, AfterValidator(_to_utc)]
"""A time with an offset (a naive one is refused), held in UTC."""

Finite = Annotated[float, Field(allow_inf_nan=False)]


class Reading(BaseModel):
    """What one probe reported at one time.

    `time` is the probe's own stamp, `received_at` the time it reached this program. The pair (probe, time) is
    the key: the same pair again is a repeat. Values are kept as reported, also implausible ones: judging them
    is the work of `analysis.quality`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    probe: Identifier
    time: UtcTime
    temperature_c: Finite
    """Air temperature at the probe. [°C]"""
    relative_humidity_pct: Finite
    """Relative humidity of that air. [%]"""
    surface_temperature_c: Finite | None = None
    """Temperature of a surface the probe touches. [°C]"""
    battery_v: Finite | None = None
    """Battery voltage. [V]"""
    battery_pct: Finite | None = None
    """What is left of the battery by the sender's own account; how it reckons differs by the sender. [%]"""
    pressure_hpa: Finite | None = None
    """Barometric pressure. [hPa]"""
    rssi_dbm: Finite | None = None
    """Radio signal strength. [dBm]"""
    gateway: str | None = None
    """The gateway that passed it on."""
    received_at: UtcTime
