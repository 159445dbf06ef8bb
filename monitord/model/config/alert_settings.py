"""Settings of alerts: whom to tell what, when, and by which way.

Times of day are local and written `HH:MM`; a span whose end is at or before its start goes over midnight.
"""

from __future__ import annotations

from datetime import time
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, model_validator

from monitord.model.alerts import Severity
from monitord.model.jobs import known_zone
from monitord.model.readings import Identifier, UtcTime
from monitord.model.units import Units

_STRICT = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

ADDRESS = "{address}"
"""Stands in a channel's URL for the address of the person to be told."""


def _clock_time(value: object) -> object:
    if isinstance(value, str):
        try:
            hours, minutes = value.split(":")
            return time(int(hours), int(minutes))
        except ValueError:
            raise ValueError(f"{value!r} is not a time of day; write HH:MM, such as 06:30") from None
    return value


ClockTime = Annotated[time, BeforeValidator(_clock_time)]


class Day(StrEnum):
    """A day of the week."""

    MON = "mon"
    TUE = "tue"
    WED = "wed"
    THU = "thu"
    FRI = "fri"
    SAT = "sat"
    SUN = "sun"


EVERY_DAY = tuple(Day)


class TimeInterval(BaseModel):
    """A span of the day that comes again."""

    model_config = _STRICT

    start: ClockTime
    """Local time at which it begins."""
    end: ClockTime
    """Local time at which it ends; at or before `start`: on the next day."""
    days: tuple[Day, ...] = EVERY_DAY
    """Days on which it begins."""


class MessageForm(StrEnum):
    """How much a message says."""

    LONG = "long"
    SHORT = "short"


class ChannelSettings(BaseModel):
    """One way out of the program."""

    model_config = _STRICT

    name: Identifier
    """What people's ways call it."""
    url: SecretStr
    """`log://` for the program's own log, else an Apprise URL; `{address}` in it stands for a person's address."""
    form: MessageForm = MessageForm.LONG
    """`long` for e-mail, chat and webhooks; `short` for SMS: one text of 160 characters at most."""
    timeout_s: Annotated[float, Field(gt=0, le=300)] = 10.0
    """How long the other side may take to connect, and again to answer. [s]"""
    link_local: bool = False
    """Messages may go to a link-local address (169.254.x.x, fe80::), where clouds answer with a machine's secrets."""

    @property
    def needs_address(self) -> bool:
        """Whether each person must give an address for it."""
        return ADDRESS in self.url.get_secret_value()


class Way(BaseModel):
    """How one person is reached."""

    model_config = _STRICT

    channel: Identifier
    """Name of a channel."""
    address: str = ""
    """What stands for `{address}` in the channel's URL: an e-mail address, a telephone number."""
    min_severity: Severity = Severity.NOTE
    """Milder alerts do not go this way."""
    digest: bool = True
    """Whether the daily digest goes this way."""


class Person(BaseModel):
    """Someone who is told."""

    model_config = _STRICT

    id: Identifier
    """What routes call them."""
    name: str = ""
    """How messages call them."""
    timezone: Annotated[str, AfterValidator(known_zone)] = "UTC"
    """Time zone of their quiet hours and of their digest (IANA name)."""
    language: Annotated[str, Field(pattern=r"^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8})*$")] = "en"
    """Folder of the templates that their messages are written with."""
    units: Units = Units.METRIC
    """What their messages show numbers in: metric, or us (°F, inHg, gr/lb, in)."""
    ways: Annotated[tuple[Way, ...], Field(min_length=1)]
    """How they are reached; a message goes every way that its severity allows."""
    quiet: tuple[TimeInterval, ...] = ()
    """When only `act` alerts reach them; the rest waits for the end and comes as one report."""
    digest_at: ClockTime | None = None
    """Local time of their daily digest; none: they get none."""
    digest_days: tuple[Day, ...] = EVERY_DAY
    """Days on which they get it."""


class Escalation(BaseModel):
    """Who is told next when nobody acknowledges."""

    model_config = _STRICT

    after_s: Annotated[float, Field(ge=60, le=7 * 86_400)]
    """Time from the first message about the alert. [s]"""
    people: Annotated[tuple[Identifier, ...], Field(min_length=1)]
    """Ids of the people who are told then."""


class AlertRoute(BaseModel):
    """Which alerts go to whom. Every route that fits adds its people, down to one with `last`."""

    model_config = _STRICT

    name: str = ""
    """What the reason of a decision calls it."""
    jobs: tuple[str, ...] = ()
    """Job ids, `*` and `?` allowed; empty: every job."""
    locations: tuple[str, ...] = ()
    """Location ids, `*` and `?` allowed; empty: every location."""
    kinds: tuple[str, ...] = ()
    """Kinds of alert, `*` and `?` allowed; empty: every kind."""
    min_severity: Severity = Severity.NOTE
    """Milder alerts do not take this route."""
    hours: tuple[TimeInterval, ...] = ()
    """When it is used, in the job's local time; empty: always."""
    people: tuple[Identifier, ...] = ()
    """Ids of the people who are told; empty: nobody at once, the alert stands in digests only."""
    escalations: tuple[Escalation, ...] = ()
    """Who is told next when nobody acknowledges."""
    remind_s: Annotated[float, Field(gt=0, le=30 * 86_400)] | None = None
    """Time between reminders of an alert that nobody acknowledges; none: `alerts.remind_s`. [s]"""
    last: bool = False
    """Whether the routes after it are left out once it fits."""

    @model_validator(mode="after")
    def _escalations_in_order(self) -> Self:
        times = [step.after_s for step in self.escalations]
        if times != sorted(set(times)):
            raise ValueError("escalations are not in order of time; sort them by after_s, each later than the last")
        return self


class MaintenanceWindow(BaseModel):
    """A planned time in which alerts are not told; what is still open at its end is told then."""

    model_config = _STRICT

    comment: Annotated[str, Field(min_length=1)]
    """Why."""
    jobs: tuple[str, ...] = ()
    """Job ids, `*` and `?` allowed; empty: every job."""
    kinds: tuple[str, ...] = ()
    """Kinds of alert, `*` and `?` allowed; empty: every kind."""
    hours: TimeInterval | None = None
    """For a window that comes again: its hours, in the job's local time."""
    start: UtcTime | None = None
    """For a window that comes once: its beginning."""
    end: UtcTime | None = None
    """For a window that comes once: its end. With `hours`: from when on it no longer comes."""

    @model_validator(mode="after")
    def _once_or_again(self) -> Self:
        if self.hours is None and (self.start is None or self.end is None):
            raise ValueError("a window needs a start and an end, or hours that come again; give one or the other")
        if self.start is not None and self.end is not None and self.end <= self.start:
            raise ValueError("the window's end is not after its start; correct one of the two")
        return self


class MqttStateSettings(BaseModel):
    """Alerts and latest assessments as retained messages on the broker, for a siren or another system."""

    model_config = _STRICT

    enabled: bool = False
    """Whether the state is published."""
    prefix: Annotated[str, Field(pattern=r"^[^\s+#$/][^\s+#]*[^\s+#/]$")] = "monitord-alerts"
    """First part of its topics."""


class HeartbeatSettings(BaseModel):
    """A call to a URL of another service, which raises the alarm when the calls stay away."""

    model_config = _STRICT

    url: SecretStr | None = None
    """Called with GET while everything goes well; none: no call."""
    interval_s: Annotated[float, Field(ge=10, le=86_400)] = 300.0
    """Time between two calls. [s]"""
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10.0
    """How long the other side may take. [s]"""


class AlertSettings(BaseModel):
    """Rules of alerts, and through which channels whom they reach."""

    model_config = _STRICT

    rules_file: Path | None = None
    """A firm's own limits, laid over the rules that come with the program; none: only those."""
    templates_dir: Path | None = None
    """Folder with a firm's own message templates, one folder for each language; none: only those of the program."""
    public_url: str | None = None
    """Address at which people reach the dashboard, for the links in messages; none: messages have no links."""
    link_valid_h: Annotated[float, Field(gt=0, le=24 * 30)] = 72.0
    """How long the acknowledge and mute links of a message work. [h]"""
    link_mute_h: Annotated[float, Field(gt=0, le=24 * 30)] = 24.0
    """How long the mute lasts that a message's link offers. [h]"""
    channels: tuple[ChannelSettings, ...] = ()
    """The ways out of the program."""
    people: tuple[Person, ...] = ()
    """Who can be told."""
    routes: tuple[AlertRoute, ...] = ()
    """Which alerts go to whom; an alert that no route fits goes to everyone, so that none is lost."""
    maintenance: tuple[MaintenanceWindow, ...] = ()
    """Planned times in which alerts are not told."""
    group_wait_s: Annotated[float, Field(ge=0, le=3600)] = 60.0
    """How long the first news of a job waits for others to come with it. [s]"""
    group_interval_s: Annotated[float, Field(ge=0, le=86_400)] = 300.0
    """Least time between two messages about one job to one person. [s]"""
    combine_jobs_over: Annotated[int, Field(ge=1, le=1000)] = 3
    """When more jobs than this have news for a person at one time, it comes as one message. [jobs]"""
    remind_s: Annotated[float, Field(gt=0, le=30 * 86_400)] = 12 * 3600.0
    """Time between reminders of an alert that nobody acknowledges; at least `group_interval_s`. [s]"""
    mute_warning_s: Annotated[float, Field(ge=0, le=7 * 86_400)] = 3600.0
    """How long before its end people hear of a mute with open alerts under it. [s]"""
    retry_first_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    """Longest wait before the first new try of a message that failed; it doubles with each try. [s]"""
    retry_cap_s: Annotated[float, Field(gt=0, le=86_400)] = 900.0
    """Longest wait between two tries. [s]"""
    give_up_after_s: Annotated[float, Field(gt=0, le=30 * 86_400)] = 24 * 3600.0
    """Age at which a message that can't be delivered is given up and listed as undeliverable. [s]"""
    mqtt_state: MqttStateSettings = MqttStateSettings()
    """Publication of the state of alerts on the broker."""
    heartbeat: HeartbeatSettings = HeartbeatSettings()
    """A sign of life for another service."""

    def person(self, person_id: str) -> Person | None:
        """The person with that id, if there is one."""
        return next((person for person in self.people if person.id == person_id), None)

    def channel(self, name: str) -> ChannelSettings | None:
        """The channel with that name, if there is one."""
        return next((channel for channel in self.channels if channel.name == name), None)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        self._no_twins()
        channels = {channel.name: channel for channel in self.channels}
        for person in self.people:
            for way in person.ways:
                channel = channels.get(way.channel)
                if channel is None:
                    raise ValueError(
                        f"person {person.id!r} is reached by channel {way.channel!r}, which is not there; "
                        f"use one of {', '.join(sorted(channels)) or '(none yet)'}"
                    )
                if channel.needs_address and not way.address:
                    raise ValueError(
                        f"person {person.id!r} has no address for channel {way.channel!r}; add `address` to that way"
                    )
        self._routes_known()
        return self

    def _no_twins(self) -> None:
        for what, names in (("channel", [c.name for c in self.channels]), ("person", [p.id for p in self.people])):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"{what} {twice[0]!r} is there twice; give each its own name")

    def _routes_known(self) -> None:
        people = {person.id for person in self.people}
        reminders = {"remind_s": self.remind_s}
        for number, route in enumerate(self.routes, start=1):
            name = route.name or f"number {number}"
            named = {*route.people, *(person for step in route.escalations for person in step.people)}
            if named - people:
                raise ValueError(
                    f"route {name} names {sorted(named - people)[0]!r}, who is not among the people; "
                    f"use one of {', '.join(sorted(people)) or '(none yet)'}"
                )
            if route.remind_s is not None:
                reminders[f"remind_s of route {name}"] = route.remind_s
        for key, seconds in reminders.items():
            if seconds < self.group_interval_s:
                raise ValueError(
                    f"{key} {seconds:g} is shorter than group_interval_s {self.group_interval_s:g}, so it can't be "
                    "kept; raise it or shorten group_interval_s"
                )
