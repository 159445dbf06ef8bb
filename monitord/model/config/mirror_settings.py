"""Settings of the mirror: where else readings and results are written to."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from monitord.model.config.influx_settings import InfluxSettings


class MirrorSettings(InfluxSettings):
    """A copy of readings and results in InfluxDB, for dashboards that are there; `url` switches it on."""

    section: ClassVar[str] = "mirror"

    every_s: Annotated[float, Field(ge=1, le=3600)] = 10.0
    """How often what is new goes out. [s]"""

    @property
    def target(self) -> str:
        """Where the points go, in one word: another one is due everything."""
        return f"{self.url} {self.org} {self.bucket}"
