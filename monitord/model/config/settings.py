"""Settings of the daemon, from a TOML file and the environment.

`MONITORD_SECTION__KEY` in the environment stands above the file; what neither gives has its default.
"""

from __future__ import annotations

import ipaddress
import os
import tomllib
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, SettingsError

from monitord.errors import ConfigurationError
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.config.analysis_options import AnalysisOptions
from monitord.model.config.broker import BROKER_NAME, SHARED_BY_BROKERS, BrokerSettings, QuarantineSettings, TopicRule
from monitord.model.config.influx_settings import ReadingsIn, StoreSettings
from monitord.model.config.mirror_settings import MirrorSettings
from monitord.model.explain import Loc, nearest, problems, read_toml
from monitord.model.units import Units

PREFIX = "MONITORD_"
CONFIG_VARIABLE = "MONITORD_CONFIG"
"""Environment variable that names the settings file, where the command line does not."""

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class DatabaseSettings(BaseModel):
    """Where readings, jobs and alerts are kept."""

    model_config = _STRICT

    url: Annotated[str, Field(min_length=1)] = "sqlite:///monitord.sqlite3"
    """Database URL, of an SQLite file (a relative path is taken from the directory that the daemon is started in) or a
    PostgreSQL server: see monitord/store/DATABASES.md."""
    min_free_mb: Annotated[int, Field(ge=0)] = 200
    """`monitord doctor` complains when less disk than this is free beside a SQLite database. [MB]"""


class BackupSettings(BaseModel):
    """Copies of an SQLite database, made while the daemon runs; `monitord restore` puts one back."""

    model_config = _STRICT

    folder: Path | None = None
    """Folder that backups are written to, best on another disk. None: none are made by themselves."""
    every_h: Annotated[float, Field(ge=1, le=24 * 31)] = 24.0
    """How old the newest backup may be before the next is made. [h]"""
    keep: Annotated[int, Field(ge=1, le=1000)] = 14
    """How many backups are kept. Each is as large as the database: about 4 MB of readings a month for 20 probes that
    report each 10 minutes."""


class ArchiveSettings(BaseModel):
    """Raw readings of closed jobs, out of the database into evidence packs; `monitord job restore-readings` puts them
    back. Roll-ups, alerts and all else of a job stay."""

    model_config = _STRICT

    after_days: Annotated[float, Field(ge=1, le=36_500)] | None = None
    """So long after its end a job's raw readings are archived. None: all are kept in the database. Not with
    `store.readings = "influxdb"`. [d]"""
    folder: Path | None = None
    """Folder that the packs are written to; keep copies of it elsewhere, for the readings are then nowhere else."""

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if self.after_days is not None and self.folder is None:
            raise ValueError("after_days needs folder: name where the packs are to lie")
        return self


def _address(host: str) -> str:
    if host != "localhost":
        try:
            ipaddress.ip_address(host)
        except ValueError:
            raise ValueError(f"{host!r} is no IP address; write one such as 127.0.0.1, or 0.0.0.0 for all") from None
    return host


def _proxy(network: str) -> str:
    try:
        return str(ipaddress.ip_network(network))
    except ValueError:
        raise ValueError(f"{network!r} is neither an IP address nor a network such as 10.0.0.0/24") from None


class WebSettings(BaseModel):
    """The dashboard and its JSON. Beyond this machine they speak only https: their own, or a trusted proxy's."""

    model_config = _STRICT

    host: Annotated[str, AfterValidator(_address)] = "127.0.0.1"
    """Address the dashboard listens on. Others than loopback need `certificate` and `key`, or `trusted_proxies`."""
    port: Annotated[int, Field(ge=0, le=65_535)] = 8080
    """TCP port of the dashboard; 0: any free one, which the log names."""
    units: Units = Units.METRIC
    """What the pages and their downloads show numbers in: metric, or us (°F, inHg, gr/lb, in)."""
    public_url: Annotated[str, Field(pattern=r"^https?://[^/\s?#@]+/?$")] | None = None
    """Address by which people reach the dashboard, such as https://drying.example.org: it answers to that name, and
    labels and links are made with it. None: only this machine's own names."""
    certificate: Path | None = None
    """PEM file with the certificate and its chain; with `key` the dashboard speaks https itself."""
    key: Path | None = None
    """PEM file with the certificate's private key."""
    trusted_proxies: tuple[Annotated[str, AfterValidator(_proxy)], ...] = ()
    """Addresses or networks of reverse proxies whose X-Forwarded-For and X-Forwarded-Proto are believed."""

    @property
    def listens_beyond_loopback(self) -> bool:
        """Whether other machines can connect."""
        return self.host != "localhost" and not ipaddress.ip_address(self.host).is_loopback

    @model_validator(mode="after")
    def _shown_only_with_care(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key belong together; give both or neither")
        if self.listens_beyond_loopback and self.certificate is None and not self.trusted_proxies:
            raise ValueError(
                f"host {self.host} would show the dashboard, and its passwords, to the network in the clear; give "
                "certificate and key, or trusted_proxies with a proxy that speaks https, or keep 127.0.0.1"
            )
        if self.listens_beyond_loopback and self.public_url is None:
            raise ValueError("host is not loopback, so public_url is needed: the name by which people reach it")
        return self


class OutdoorForecastSettings(BaseModel):
    """Forecasts of the outdoor air from files; those from the broker come by a topic. Both are optional."""

    model_config = _STRICT

    file: str | None = None
    """Path of a forecast's file, with `{job}` for the job's id; a job without a file has no forecast. None: no files
    are read."""
    every_s: Annotated[float, Field(ge=10, le=86_400)] = 300.0
    """How often the files are looked at. [s]"""

    @field_validator("file")
    @classmethod
    def _names_the_job(cls, value: str | None) -> str | None:
        if value is not None and "{job}" not in value:
            raise ValueError(f"{value!r} names no job; put {{job}} into it, such as forecasts/{{job}}.json")
        return value


class AssessSettings(BaseModel):
    """When jobs are assessed."""

    model_config = _STRICT

    interval_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """How often jobs with new readings are looked for and assessed. [s]"""
    timer_s: Annotated[float, Field(gt=0, le=3600)] = 60.0
    """How often every running job is assessed even without new readings, so that silence is noticed. [s]"""
    memory_mb: Annotated[int, Field(ge=0, le=1_000_000)] = 1024
    """Memory for the hours kept between assessments: 2 MB for a job of 20 probes after 30 days, 6 MB after 90 days; so
    the default does for some 450 such jobs of 30 days, and 1,000 need 2300. A job that finds no room is read anew at
    each assessment: that takes five to ten times as long, and changes nothing. The log then says how much would do, and
    the metric `monitord_assess_memory_jobs` how many these are. [MB]"""


class CriteriaSettings(BaseModel):
    """Rules for the readiness of slabs and elements, beside those that come with the program."""

    model_config = _STRICT

    folder: Path | None = None
    """Folder with a firm's own criteria files (TOML); one with the id of a built-in file replaces it. None: only the
    built-in ones."""


class ReportSettings(BaseModel):
    """Reports in the firm's name."""

    model_config = _STRICT

    firm: Annotated[str, Field(max_length=200)] = ""
    """Name of the firm, as it stands on reports."""
    logo: Path | None = None
    """Its mark: a PNG, SVG or JPEG file."""


class LogLevel(StrEnum):
    """How much is logged."""

    DEBUG = "debug"
    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


class LogForm(StrEnum):
    """What a line of the log looks like."""

    TEXT = "text"
    JSON = "json"


class LogSettings(BaseModel):
    """The log, on standard error."""

    model_config = _STRICT

    level: LogLevel = LogLevel.INFO
    """The least that is logged."""
    form: LogForm = LogForm.TEXT
    """`text`: time, level, part and message, for people; `json`: an object a line, for programs that collect logs: keys
    time (UTC), level, part, message, thread, and error with the trace where there is one."""


class Settings(BaseSettings):
    """All settings of the daemon. Built directly it takes what it is given; `load_settings` reads the sources."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX,
        env_nested_delimiter="__",
        extra="forbid",
        frozen=True,
        use_attribute_docstrings=True,
    )

    database: DatabaseSettings = DatabaseSettings()
    """Where readings, jobs and alerts are kept."""
    store: StoreSettings = StoreSettings()
    """Where raw readings are kept, if not in the database."""
    backup: BackupSettings = BackupSettings()
    """Copies of the database."""
    archive: ArchiveSettings = ArchiveSettings()
    """Raw readings of closed jobs."""
    broker: BrokerSettings = BrokerSettings()
    """The MQTT broker and how readings are taken from it."""
    brokers: dict[Annotated[str, Field(pattern=BROKER_NAME)], BrokerSettings] = {}
    """Further brokers that readings are taken from, each by a name of its own, such as a cloud's beside the site's. The
    topic rules hold for all of them. Alerts are published to `broker` alone."""
    quarantine: QuarantineSettings = QuarantineSettings()
    """How much of what could not be understood is kept."""
    topics: tuple[TopicRule, ...] = ()
    """What other topics carry. The first rule that matches a topic holds; our own topics always come after these."""
    assess: AssessSettings = AssessSettings()
    """When jobs are assessed."""
    outdoor_forecast: OutdoorForecastSettings = OutdoorForecastSettings()
    """Forecasts of the outdoor air from files."""
    analysis: AnalysisOptions = AnalysisOptions()
    """Limits and windows of the analysis, each with its source."""
    criteria: CriteriaSettings = CriteriaSettings()
    """Rules for the readiness of slabs and elements."""
    report: ReportSettings = ReportSettings()
    """Reports in the firm's name."""
    alerts: AlertSettings = AlertSettings()
    """Rules of alerts, and through which channels whom they reach."""
    web: WebSettings = WebSettings()
    """The dashboard and its JSON."""
    mirror: MirrorSettings = MirrorSettings()
    """A copy of readings and results in InfluxDB."""
    log: LogSettings = LogSettings()
    """The log, on standard error."""

    @property
    def all_brokers(self) -> dict[str, BrokerSettings]:
        """Every broker by its name; that of `broker` is `broker`, and what batches are made of holds for all."""
        shared = {name: getattr(self.broker, name) for name in SHARED_BY_BROKERS}
        return {"broker": self.broker} | {
            name: broker.model_copy(update=shared) for name, broker in self.brokers.items()
        }

    @model_validator(mode="after")
    def _archive_from_the_database(self) -> Self:
        if self.archive.after_days is not None and self.store.readings is ReadingsIn.INFLUXDB:
            raise ValueError(
                'archive.after_days does not go with store.readings = "influxdb": an archive takes raw readings out of '
                "the database, which holds none then; leave archive.after_days out, and let InfluxDB drop readings by "
                "the retention of its bucket; `monitord evidence` packs those of a job before"
            )
        return self

    @model_validator(mode="after")
    def _brokers_apart(self) -> Self:
        known = {(self.broker.host, self.broker.port, self.broker.client_id): "broker"}
        for name, broker in self.brokers.items():
            where = f"brokers.{name}"
            if name == "broker":
                raise ValueError(f"{where} is the name of the first, [broker]; choose another")
            for key in sorted(broker.model_fields_set & SHARED_BY_BROKERS):
                raise ValueError(f"{where}.{key} is one for all brokers; write it under [broker]")
            if broker.receive_maximum < 2 * self.broker.batch_size:
                raise ValueError(
                    f"{where}.receive_maximum {broker.receive_maximum} is less than twice broker.batch_size "
                    f"{self.broker.batch_size}; write at least {2 * self.broker.batch_size}"
                )
            other = known.setdefault((broker.host, broker.port, broker.client_id), where)
            if other != where:
                raise ValueError(
                    f"{other} and {where} are one session on {broker.host}:{broker.port}, so each would send the other "
                    "away; give one of them another host, port or client_id"
                )
        return self

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Built directly, only the arguments count: a demo or a test never picks up a variable by accident."""
        return (init_settings,)


class _FileAndEnvironment(Settings):
    """The settings as `load_settings` reads them: environment above file."""

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """The file arrives as arguments."""
        return (env_settings, init_settings)


def load_settings(path: Path | None) -> Settings:
    """The settings from a TOML file (none: only defaults) with the environment above it.

    Raises
    ------
    ConfigurationError : naming the file or variable, the key, the nearest known key and the remedy.
    """
    data = _read_toml(path) if path is not None else {}
    _refuse_unknown_variables()
    try:
        return _FileAndEnvironment(**data)
    except ValidationError as error:
        first, *others = problems(error, Settings)
        more = f" (and {len(others)} more to correct)" if others else ""
        raise ConfigurationError(
            first.what + more,
            where=_origin(first.loc, path),
            remedy=first.remedy or "Correct it; `monitord settings` lists every key with its default",
        ) from None
    except SettingsError as error:
        raise ConfigurationError(
            "a variable holds no valid JSON", where="environment", why=str(error), remedy="Lists are written as JSON"
        ) from None


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return read_toml(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigurationError(
            "the settings file can't be read",
            where=str(path),
            why=error.strerror or str(error),
            remedy="Give the right path with --config, or leave it out to run on defaults",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            "not valid TOML", where=str(path), why=str(error), remedy="config/monitord.example.toml shows the form"
        ) from None


def _refuse_unknown_variables() -> None:
    """pydantic-settings passes over a variable whose section it does not know; a typing error must not be lost."""
    sections = {f"{PREFIX}{name}".upper() for name in Settings.model_fields}
    for variable in sorted(os.environ):
        name = variable.upper()
        if not name.startswith(PREFIX) or name == CONFIG_VARIABLE or name.split("__")[0] in sections:
            continue
        close = nearest(name.split("__")[0], sorted(sections))
        raise ConfigurationError(
            f"unknown variable {variable}",
            where="environment",
            remedy=f"Did you mean {close}...?" if close else f"Unset it; sections are {', '.join(sorted(sections))}",
        )


def _origin(loc: Loc, path: Path | None) -> str:
    """The variable or the file that a wrong value comes from."""
    names = {name.upper(): name for name in os.environ}
    for depth in range(len(loc), 0, -1):
        variable = names.get(PREFIX + "__".join(str(part) for part in loc[:depth]).upper())
        if variable is not None:
            return f"environment variable {variable}"
    return str(path) if path is not None else "settings"
