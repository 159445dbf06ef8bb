"""Where an InfluxDB is, and where raw readings are kept."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, ClassVar, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

from monitord.errors import ConfigurationError


class InfluxSettings(BaseModel):
    """A bucket of a server, and what lets us in."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    section: ClassVar[str]

    url: Annotated[str, Field(pattern=r"^https?://[^/\s?#@]+(/[^\s?#]*)?$")] | None = None
    """Address of the server, such as https://influx.example.org:8086; it must know `/api/v2/write` (InfluxDB 1.8, 2 or
    3). None: there is none."""
    org: str = ""
    """Organisation; servers that have none pass over it."""
    bucket: str = ""
    """Bucket that the points go to; on InfluxDB 1.8 the database."""
    token: SecretStr | None = None
    """What lets us in, best from the environment (MONITORD_MIRROR__TOKEN, MONITORD_STORE__TOKEN) or `token_file`; on
    1.8 user:password."""
    token_file: Path | None = None
    """File whose first line is the token, in place of `token`."""
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10.0
    """How long an answer is waited for. [s]"""

    @property
    def in_the_clear(self) -> bool:
        """Whether what is sent, the token with it, can be read by whoever is on the way."""
        parts = urlsplit(self.url or "")
        return parts.scheme == "http" and parts.hostname not in ("localhost", "127.0.0.1", "::1")

    def secret(self) -> str:
        """The token; empty where there is none.

        Raises
        ------
        ConfigurationError : its file can't be read.
        """
        if self.token_file is None:
            return "" if self.token is None else self.token.get_secret_value()
        try:
            lines = self.token_file.read_text(encoding="utf-8").split("\n")
        except (OSError, UnicodeDecodeError) as error:
            raise ConfigurationError(
                f"the token of [{self.section}] can't be read",
                where=str(self.token_file),
                why=str(error),
                remedy=f"Give the user that runs monitord the right to read it, or correct `{self.section}.token_file`",
            ) from error
        return lines[0].strip()

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.url is not None and not self.bucket:
            raise ValueError(f"{self.section}.url is given without a bucket; name the bucket that the points go to")
        if self.token is not None and self.token_file is not None:
            raise ValueError("give token or token_file, not both")
        return self


class ReadingsIn(StrEnum):
    """Where raw readings are kept."""

    DATABASE = "database"
    INFLUXDB = "influxdb"


class StoreSettings(InfluxSettings):
    """Where raw readings are kept: in the database with all else, or in InfluxDB (monitord/store/DATABASES.md)."""

    section: ClassVar[str] = "store"

    readings: ReadingsIn = ReadingsIn.DATABASE
    """database, or influxdb: then `url` and `bucket` say where. Readings that are there already are moved by
    `monitord store readings`, never by this setting alone."""

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if self.readings is ReadingsIn.INFLUXDB and self.url is None:
            raise ValueError('store.readings = "influxdb" needs store.url and store.bucket')
        return self
