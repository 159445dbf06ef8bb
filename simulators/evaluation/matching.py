"""Holds alerts against true events: which were found and when, which alerts are false and for how long."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from simulators.evaluation.records import Span

HOUR_S, DAY_S, WEEK_S = 3600.0, 86_400.0, 604_800.0


@dataclass(frozen=True)
class TrueEvent:
    """Something true that an alert should find, or that explains one."""

    key: str
    """Location or probe that it belongs to."""
    from_s: float
    to_s: float
    cause: str = ""
    felt_s: float | None = None
    """When its effect could be felt; None: from its onset on."""
    seen_s: float | None = None
    """When a probe there was first heard after the onset; None: from its onset on."""
    judged: bool = True
    """False: nobody is judged by it; alerts in it are neither right nor false."""


@dataclass(frozen=True)
class Call:
    """An alert, from its opening to its closing or the job's end."""

    key: str
    from_s: float
    to_s: float
    words: str = ""


@dataclass(frozen=True)
class Terms:
    """How far an alert may be off in time. All in seconds."""

    early_s: float
    """An alert may open this long before the onset."""
    grace_s: float
    """It may open this long after the end."""
    linger_s: float
    """It may stay open this long after the end."""


@dataclass(frozen=True)
class Item:
    """One miss or false alarm, to look at."""

    topic: str
    what: str
    case: str
    key: str
    day: float
    """Days since the start of the job."""
    words: str = ""


@dataclass
class EventScore:
    """How well one topic was found; scores of several jobs add up."""

    due: Counter[str] = field(default_factory=Counter)
    """Events to be found, by cause."""
    found: Counter[str] = field(default_factory=Counter)
    delays_s: list[float] = field(default_factory=list)
    """From onset to the opening of the alert that found it; 0 where one was open."""
    felt_delays_s: list[float] = field(default_factory=list)
    """The same from when it could be felt."""
    false: int = 0
    false_open_s: float = 0.0
    exposure_s: float = 0.0
    """Time of all the locations or probes that the topic is about."""
    items: list[Item] = field(default_factory=list)

    def add(self, other: EventScore) -> None:
        """Take another job's score in."""
        self.due.update(other.due)
        self.found.update(other.found)
        self.delays_s += other.delays_s
        self.felt_delays_s += other.felt_delays_s
        self.false += other.false
        self.false_open_s += other.false_open_s
        self.exposure_s += other.exposure_s
        self.items += other.items

    @property
    def false_per_100_weeks(self) -> float:
        """False alarms per 100 location-weeks (probe-weeks)."""
        return 100.0 * self.false / (self.exposure_s / WEEK_S) if self.exposure_s else float("nan")

    @property
    def false_share(self) -> float:
        """Share of time falsely open."""
        return self.false_open_s / self.exposure_s if self.exposure_s else float("nan")


@dataclass(frozen=True)
class Topic:
    """The true events of one kind in a job, and the alerts about them."""

    name: str
    events: Sequence[TrueEvent]
    calls: Sequence[Call]
    exposure_s: float
    terms: Terms


def finds(call: Call, event: TrueEvent, terms: Terms) -> bool:
    """Whether an alert found an event.

    It opened between tolerance before the onset and grace after the end, and was not closed before the onset; or it
    had opened before and was still open a day after the onset (half-way, if the event is shorter than two days).
    """
    if call.key != event.key or call.from_s > event.to_s + terms.grace_s:
        return False
    if call.from_s >= event.from_s - terms.early_s:
        return call.to_s >= event.from_s
    return call.to_s >= event.from_s + min(DAY_S, 0.5 * (event.to_s - event.from_s))


def outside(span: Span, covers: Iterable[Span]) -> float:
    """How much of a span lies in none of the others. [s]"""
    left, at = 0.0, span[0]
    for a, b in sorted(covers):
        if a > at:
            left += min(a, span[1]) - at
        at = max(at, b)
        if at >= span[1]:
            return left
    return left + span[1] - at


def score_events(topic: Topic, case: str, start_s: float) -> EventScore:
    """Score one topic of one job."""
    score = EventScore(exposure_s=topic.exposure_s)
    terms = topic.terms

    def item(what: str, key: str, at_s: float, words: str) -> Item:
        return Item(topic.name, what, case, key, (at_s - start_s) / DAY_S, words)

    for event in topic.events:
        if not event.judged:
            continue
        score.due[event.cause] += 1
        opened = [call.from_s for call in topic.calls if finds(call, event, terms)]
        if not opened:
            lasts = (event.to_s - event.from_s) / DAY_S
            score.items.append(item("missed", event.key, event.from_s, f"{event.cause}, {lasts:.1f} days"))
            continue
        score.found[event.cause] += 1
        seen_s = event.from_s if event.seen_s is None else event.seen_s
        felt_s = seen_s if event.felt_s is None else max(seen_s, event.felt_s)
        score.delays_s.append(max(0.0, min(opened) - seen_s))
        score.felt_delays_s.append(max(0.0, min(opened) - felt_s))
    for call in topic.calls:
        near = [h for h in topic.events if h.key == call.key]
        if not any(h.from_s - terms.early_s <= call.from_s <= h.to_s + terms.grace_s for h in near):
            score.false += 1
            lasts = (call.to_s - call.from_s) / DAY_S
            score.items.append(item("false", call.key, call.from_s, f"open {lasts:.1f} days: {call.words}"))
        covers = [(h.from_s - terms.early_s, h.to_s + terms.linger_s) for h in near]
        score.false_open_s += outside((call.from_s, call.to_s), covers)
    return score
