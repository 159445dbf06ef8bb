"""Plays a scenario file of alerts: findings in over time, what happens besides, alerts and messages out.

The files are TOML under `alerts/`, written to be read by whoever dries buildings; `alerts/README.md` explains them.
Everything but the channels is real: rules, engine, store, outbox, dispatcher.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from alerts_support import HandClock, LongestPause

from monitord.alerts import pausing
from monitord.alerts.lifecycle.engine import step
from monitord.alerts.lifecycle.rule_files import rule_book_of
from monitord.alerts.notifier import enqueue_digests
from monitord.alerts.requests import acknowledge_alert, end_alerts_of_job, end_mute, keep, mute
from monitord.alerts.sending.channels.base import ChannelError
from monitord.alerts.sending.dispatcher import Dispatcher
from monitord.alerts.sending.outbox import enqueue_news
from monitord.model.alerts import Alert, AlertEvent, fingerprint
from monitord.model.assessments import Facts, Finding
from monitord.model.config.alert_settings import AlertSettings
from monitord.model.facts import Truth
from monitord.model.jobs import JobFile
from monitord.model.messages import Matcher, MatchLabel, Message
from monitord.store import alerts as stored_alerts
from monitord.store import jobs as stored_jobs
from monitord.store import mutes as stored_mutes
from monitord.store import pauses as stored_pauses
from monitord.store.db.database import Database

KEYS = {
    "about",
    "start",
    "timezone",
    "step",
    "rules",
    "override",
    "settings",
    "findings",
    "happens",
    "expected",
    "proves",
}
ONE_PERSON = {
    "channels": [{"name": "mail", "url": "log://"}],
    "people": [{"id": "anna", "timezone": "Europe/Helsinki", "ways": [{"channel": "mail"}]}],
    "group_wait_s": 0,
    "group_interval_s": 60,
}
_NAME = r"(?:(?P<job>\w+)/)?(?P<kind>\w+)(?: (?P<probe>\w+)@)?(?: ?(?P<location>\w+))?(?: via (?P<gateway>\w+))?"
_VALUE = re.compile(r"(?P<value>_|-?[\d.]+)(?:\^(?P<since>\d+))?(?:<(?P<late>\d+))?(?:x(?P<times>\d+))?$")
_SPAN = {"min": 60, "h": 3600, "d": 86_400}


@dataclass(frozen=True)
class Subject:
    """What a line of findings is about."""

    name: str
    job: str
    kind: str
    location: str | None
    probe: str | None
    gateway: str | None

    @classmethod
    def of(cls, name: str) -> Subject:
        found = re.fullmatch(_NAME, name.strip())
        assert found, f"can't read {name!r}"
        parts = found.groupdict()
        return cls(name.strip(), **(parts | {"job": parts["job"] or "J1"}))

    @property
    def print_(self) -> str:
        about_gateway = self.gateway if self.location is None and self.probe is None else None
        return fingerprint(self.job, self.kind, self.location, self.probe, about_gateway)


class Tape:
    """Stands in for every channel: keeps what was sent, or refuses."""

    def __init__(self) -> None:
        self.sent: list[Message] = []
        self.refuses = False

    def send(self, message: Message) -> None:
        if self.refuses:
            raise ChannelError("the tape is full")
        self.sent.append(message)


def _rules(scenario: Scenario) -> dict[str, Any]:
    """The limits of all scenarios with the scenario's own laid over them."""
    base = tomllib.loads((Path(__file__).parent / "alerts_rules.toml").read_text(encoding="utf-8"))["rules"]
    own = scenario.data.get("rules", {})
    tables = {kind: base.get(kind, {}) | own.get(kind, {}) for kind in {*base, *own}}
    return {"rules": tables, "override": scenario.data.get("override", [])}


@dataclass
class Scenario:
    """One file."""

    path: Path
    data: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.data = tomllib.loads(self.path.read_text(encoding="utf-8"))
        unknown = self.data.keys() - KEYS
        assert not unknown, f"{self.path.name}: unknown keys {unknown}"

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.data.get("timezone", "Europe/Helsinki"))

    @property
    def start(self) -> datetime:
        return datetime.fromisoformat(self.data["start"]).replace(tzinfo=self.zone).astimezone(UTC)

    @property
    def step(self) -> timedelta:
        number, unit = self.data.get("step", "10 min").split()
        return timedelta(seconds=float(number) * _SPAN[unit])

    @property
    def expected(self) -> list[str]:
        return [" ".join(line.split()) for line in self.data["expected"].strip().splitlines()]

    def at(self, text: str) -> datetime:
        """A time as the files write it: `20:50` on the first day, `+1 02:10` on the next."""
        later, _, clock = text.rpartition(" ")
        days = int(later or 0)
        hour, minute = map(int, clock.split(":"))
        day = self.start.astimezone(self.zone).date() + timedelta(days=days)
        return datetime(day.year, day.month, day.day, hour, minute, tzinfo=self.zone).astimezone(UTC)

    def say(self, moment: datetime) -> str:
        local = moment.astimezone(self.zone)
        days = (local.date() - self.start.astimezone(self.zone).date()).days
        return f"+{days} {local:%H:%M}" if days else f"{local:%H:%M}"


class Player:
    """Plays one scenario on a database that is empty."""

    def __init__(self, scenario: Scenario, db: Database) -> None:
        self.scenario, self.db = scenario, db
        self.rules = rule_book_of(_rules(scenario), scenario.path.name)
        self.settings = AlertSettings.model_validate(ONE_PERSON | scenario.data.get("settings", {}))
        self.clock = HandClock(scenario.start)
        self.tapes = {channel.name: Tape() for channel in self.settings.channels}
        self.seen = dict.fromkeys(self.tapes, 0)
        self.subjects, self.findings = self._timeline()
        self.happens = self._actions()
        self.lines: list[str] = []
        self.muted: list[str] = []
        self.start_up()

    def start_up(self) -> None:
        """What a restart does: everything that is not stored is made anew."""
        self.dispatcher = Dispatcher(self.db, self.tapes, self.clock, self.settings, LongestPause(), workers=1)

    def play(self, *, restart_always: bool = False) -> list[str]:
        """Every line of what came out, in the form of `expected`."""
        self._found_jobs()
        moments = sorted(
            {self.scenario.start + n * self.scenario.step for n in range(self._steps())} | set(self.happens)
        )
        for moment in moments:
            self.clock.at = moment
            if restart_always:
                self.dispatcher.stop(1)
                self.start_up()
            for action in self.happens.get(moment, ()):
                self._do(action)
            self._assess(moment)
            enqueue_news(self.db, self.settings, self.rules, moment)
            enqueue_digests(self.db, self.settings, moment)
            self.dispatcher.run_once()
            self._hear()
        self.dispatcher.stop(1)
        return self.lines

    # --- reading the file -------------------------------------------------------------------------------------

    def _timeline(self) -> tuple[dict[str, Subject], dict[datetime, list[Finding]]]:
        subjects: dict[str, Subject] = {}
        found: dict[datetime, list[Finding]] = {}
        for line in self.scenario.data["findings"].strip().splitlines():
            name, _, values = line.partition(":")
            for subject in self._spread(name):
                subjects[subject.name] = subject
                self._series(subject, values, found)
        return subjects, found

    @staticmethod
    def _spread(name: str) -> list[Subject]:
        """`condensation wall1..200` is two hundred walls, `J1..5/mould north` five jobs."""
        many = re.search(r"(\d+)\.\.(\d+)", name)
        if not many:
            return [Subject.of(name)]
        numbers = range(int(many[1]), int(many[2]) + 1)
        return [Subject.of(name[: many.start()] + str(n) + name[many.end() :]) for n in numbers]

    def _series(self, subject: Subject, values: str, found: dict[datetime, list[Finding]]) -> None:
        moment = self.scenario.start
        for token in values.split():
            if token.strip(".") == "":
                moment += len(token) * self.scenario.step
                continue
            parts = _VALUE.match(token)
            assert parts, f"{self.scenario.path.name}: can't read {token!r}"
            for _ in range(int(parts["times"] or 1)):
                found.setdefault(moment, []).append(self._finding(subject, parts, moment))
                moment += self.scenario.step

    def _finding(self, subject: Subject, parts: re.Match[str], moment: datetime) -> Finding:
        measured = moment - timedelta(minutes=int(parts["late"] or 0))
        since = None if parts["since"] is None else measured - timedelta(minutes=int(parts["since"]))
        return Finding(
            kind=subject.kind,
            location=subject.location,
            probe=subject.probe,
            gateway=subject.gateway,
            measured_at=measured,
            **self._judged(subject, None if parts["value"] == "_" else float(parts["value"])),
            since=since,
            readings=0 if since is None else 1 + int((measured - since) / self.scenario.step),
        )

    def _judged(self, subject: Subject, value: float | None) -> dict[str, object]:
        """A number where the rule has limits, else true, false or unknown; a fault of 0.6 leaves readings in use."""
        rule = self.rules.rule_for(subject.kind, subject.job, subject.location)
        if rule is None or rule.raise_at is not None:
            return {"value": value, "unit": "1"}
        truth = Truth.of(None if value is None else value >= 0.5)
        return {"truth": truth, "facts": Facts(excluded=None if not value else value > 0.6)}

    def _actions(self) -> dict[datetime, list[str]]:
        found: dict[datetime, list[str]] = {}
        for line in self.scenario.data.get("happens", "").strip().splitlines():
            time, action = re.match(r"\s*((?:\+\d+ )?\d\d:\d\d)\s+(.+)", line).groups()  # type: ignore[union-attr]
            found.setdefault(self.scenario.at(time), []).append(action.strip())
        return found

    def _steps(self) -> int:
        return 1 + int((max([*self.findings, *self.happens]) - self.scenario.start) / self.scenario.step)

    # --- the world --------------------------------------------------------------------------------------------

    def _found_jobs(self) -> None:
        with self.db.write() as conn:
            for job in sorted({subject.job for subject in self.subjects.values()}):
                locations = sorted({s.location for s in self.subjects.values() if s.job == job and s.location})
                file = {
                    "job": job,
                    "timezone": str(self.scenario.zone),
                    "start": self.scenario.start - timedelta(days=1),
                    "locations": [{"id": location, "kind": "cavity"} for location in locations],
                }
                stored_jobs.apply_job(conn, JobFile.model_validate(file))

    def _assess(self, moment: datetime) -> None:
        findings = self.findings.get(moment, [])
        by_print = {s.print_: s.job for s in self.subjects.values()}
        events: list[AlertEvent] = []
        alerts: list[Alert] = []
        with self.db.write() as conn:
            for job in sorted({s.job for s in self.subjects.values()}):
                mine = [f for f in findings if by_print.get(self._print(job, f)) == job]
                if mine and stored_pauses.pause_of(conn, job, moment) is None:
                    result = step(self.rules, stored_alerts.current_alerts(conn, job), mine, job, moment)
                    keep(conn, result)
                    events += result.events
                    alerts += result.alerts
        self._note_events(events, alerts, moment)

    @staticmethod
    def _print(job: str, f: Finding) -> str:
        about_gateway = f.gateway if f.location is None and f.probe is None else None
        return fingerprint(job, f.kind, f.location, f.probe, about_gateway)

    def _note_events(self, events: list[AlertEvent], alerts: list[Alert], moment: datetime) -> None:
        severities = {alert.fingerprint: str(alert.severity) for alert in alerts}
        words = []
        for event in events:
            extra = f" ({severities[event.fingerprint]})" if event.event == "opened" else ""
            words.append(f"{self._name(event.fingerprint)} {event.event.replace('_', ' ')}{extra}")
        self._note(moment, words)

    def _note(self, moment: datetime, words: list[str]) -> None:
        if len(words) > 5:
            kinds = {re.sub(r"\d+", "N", word) for word in words}
            words = [f"{len(words)} times {kind}" for kind in sorted(kinds)]
        self.lines += [f"{self.scenario.say(moment)} {word}" for word in sorted(words)]

    def _name(self, print_: str) -> str:
        return next(s.name for s in self.subjects.values() if s.print_ == print_)

    def _hear(self) -> None:
        for channel, tape in self.tapes.items():
            new = tape.sent[self.seen[channel] :]
            self.seen[channel] = len(tape.sent)
            by = "" if len(self.tapes) == 1 else f" by {channel}"
            for message in sorted(new, key=lambda m: (m.person, m.created_at)):
                self.lines.append(
                    f"{self.scenario.say(self.clock.at)} {message.person} hears{by}: {self._told(message)}"
                )

    def _told(self, message: Message) -> str:
        parts = []
        for item in message.items:
            if item.subject in ("digest", "test"):
                parts.append(str(item.news))
            elif item.subject.startswith("mute:"):
                parts.append("a mute ends soon")
            else:
                urgent = "!" if item.severity == "act" and item.news != "closed" else ""
                parts.append(f"{self._name(item.subject)} {item.news}{urgent}")
        if len(parts) > 5:
            return f"{len(parts)} alerts in one message"
        return ", ".join(dict.fromkeys(parts))

    # --- what happens -----------------------------------------------------------------------------------------

    def _do(self, action: str) -> None:
        for pattern, method in _ACTIONS.items():
            found = re.fullmatch(pattern, action)
            if found:
                getattr(self, method)(**found.groupdict())
                return
        raise AssertionError(f"{self.scenario.path.name}: can't read {action!r}")

    def acknowledges(self, who: str, name: str, note: str | None) -> None:
        with self.db.write() as conn:
            acknowledge_alert(conn, Subject.of(name).print_, None, who, note or "", self.clock.at)
        self._note(self.clock.at, [f"{name} acknowledged by {who}"])

    def mutes(self, who: str, label: str, value: str, until: str, comment: str) -> None:
        matchers = [Matcher(label=MatchLabel(label), pattern=value)]
        with self.db.write() as conn:
            made = mute(conn, matchers, self.clock.at, self.scenario.at(until), who, comment, self.clock.at)
        self.muted.append(made.id)

    def unmutes(self, who: str) -> None:
        with self.db.write() as conn:
            end_mute(conn, self.muted[-1], who, self.clock.at)
            assert stored_mutes.get_mute(conn, self.muted[-1]).ended_by == who  # type: ignore[union-attr]

    def closes(self, job: str, why: str) -> None:
        with self.db.write() as conn:
            result = end_alerts_of_job(conn, job, self.clock.at, why)
        self._note_events(result.events, result.alerts, self.clock.at)

    def pauses(self, who: str, job: str, until: str | None, why: str) -> None:
        end = None if until is None else self.scenario.at(until)
        with self.db.write() as conn:
            before = {alert.fingerprint for alert in stored_alerts.open_alerts(conn, job)}
            made = pausing.pause(conn, job, end, who, why, self.clock.at)
            ended = [a for a in stored_alerts.current_alerts(conn, job) if a.fingerprint in before]
            assert all(alert.closing_reason == made.reason for alert in ended)
        self._note(self.clock.at, [f"{self._name(a.fingerprint)} closed" for a in ended])

    def resumes(self, who: str, job: str) -> None:
        with self.db.write() as conn:
            pausing.resume(conn, job, who, self.clock.at)

    def fails(self, channel: str) -> None:
        self.tapes[channel].refuses = True

    def works(self, channel: str) -> None:
        self.tapes[channel].refuses = False

    def restarts(self) -> None:
        self.dispatcher.stop(1)
        self.start_up()

    def settings_change(self, person: str) -> None:
        people = tuple(p for p in self.settings.people if p.id != person)
        self.settings = self.settings.model_copy(update={"people": people})
        self.restarts()


_ACTIONS = {
    r"(?P<who>\w+) acknowledges (?P<name>[^:]+?)(?:: (?P<note>.+))?": "acknowledges",
    r"(?P<who>\w+) mutes (?P<label>\w+) (?P<value>\S+) until (?P<until>(?:\+\d+ )?\d\d:\d\d): (?P<comment>.+)": "mutes",
    r"(?P<who>\w+) ends the mute": "unmutes",
    r"(?P<job>\w+) ends: (?P<why>.+)": "closes",
    r"(?P<who>\w+) pauses (?P<job>\w+)(?: until (?P<until>(?:\+\d+ )?\d\d:\d\d))?: (?P<why>.+)": "pauses",
    r"(?P<who>\w+) resumes (?P<job>\w+)": "resumes",
    r"(?P<channel>\w+) fails": "fails",
    r"(?P<channel>\w+) works again": "works",
    r"the program restarts": "restarts",
    r"(?P<person>\w+) leaves the firm": "settings_change",
}
