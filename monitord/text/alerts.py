"""An alert in sentences: headline, how it opened, how it stands, how it ended, and what to check first."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitord.model.alerts import Alert, AlertStatus
from monitord.model.assessments import Finding
from monitord.model.facts import Cause, Facts, FindingKind
from monitord.text import formats, gsm
from monitord.text.alert_texts import ASBESTOS, ELECTRICITY, STRUCTURE, TEXTS
from monitord.text.labels import CLOSED, CLOSES, EASING, ENDED, LOST, NOW
from monitord.text.speaker import Speaker
from monitord.text.states import check_sentence

HEADLINE_LENGTH = 45
SMS_LENGTH = 140
_SMS_JOB, _SMS_KEY = 18, 28


@dataclass(frozen=True)
class Steps:
    """What to do about it."""

    first: str
    """The first thing to check, one imperative."""
    then: str
    """What to look at after it."""
    cautions: tuple[str, ...] = ()


FED = Steps(
    "Find where the water comes from.",
    "Ground water, a torn or missing membrane, a leaking pipe; drying the air won't help.",
    (ELECTRICITY, STRUCTURE, ASBESTOS),
)
"""Moisture comes in from below."""
NO_DEHUMIDIFIER = Steps("Set up a dehumidifier again.", "Or warm the room; close it against humid air.", (ELECTRICITY,))
"""The air holds it, and the room's dehumidifier was taken out."""
RISING = Steps(
    "Find what wets it.", "Leak, ground, room air; then the probe's seal.", (ELECTRICITY, STRUCTURE, ASBESTOS)
)
"""It rises, and the readings don't show why."""


def steps(kind: FindingKind, facts: Facts) -> Steps:
    """What to do about a finding or a state, as far as its facts show the cause."""
    if kind in (FindingKind.DRYING_STALLED, FindingKind.GOAL_UNREACHABLE):
        if facts.cause is Cause.FED_FROM_BELOW:
            return FED
        if facts.dehumidifier_out_at is not None:
            return NO_DEHUMIDIFIER
        if facts.cause is None and facts.rate is not None and facts.rate.value > 0.0:
            return RISING
    texts = TEXTS[kind]
    return Steps(texts.first, texts.then, texts.cautions)


MESSAGES = tuple(text for known in (FED, NO_DEHUMIDIFIER, RISING) for text in (known.first, known.then))


@dataclass(frozen=True)
class Limits:
    """What of an alert's rule is said: limits in the rule's unit, and how long it must be past the second."""

    raise_at: float | None = None
    clear_at: float | None = None
    unit: str = ""
    hold_s: float = 0.0


NO_LIMITS = Limits()


@dataclass(frozen=True)
class AlertSpeaker:
    """Puts one alert into words."""

    speaker: Speaker
    alert: Alert
    place: str = ""
    """Name of what it is about: a location, a probe, a gateway."""
    limits: Limits = NO_LIMITS
    _filled: dict[int, tuple[Finding, dict[str, str | None]]] = field(default_factory=dict, compare=False, repr=False)
    """The slots of each finding that was spoken of, by its identity."""

    def headline(self) -> str:
        """`Getting wet again: Utility room, outside wall`, in at most 45 characters."""
        words = self.speaker.text(TEXTS[self.alert.kind].words)
        return cut(f"{words}: {self.place}", HEADLINE_LENGTH) if self.place else words

    def name(self) -> str:
        """The kind of alert, without its place."""
        return self.speaker.text(TEXTS[self.alert.kind].words)

    def opening(self) -> str:
        """What was found when it opened."""
        return self.speaker.say(TEXTS[self.alert.kind].opening, self._slots(self.alert.opening or self.alert.finding))

    def key(self, finding: Finding | None) -> str | None:
        """The figures that it is followed by, as of one finding."""
        return None if finding is None else self.speaker.say(TEXTS[self.alert.kind].key, self._slots(finding))

    def figure(self, finding: Finding | None) -> str | None:
        """Those figures without the goal or the value before, where these are said beside them."""
        return None if finding is None else self.speaker.say(TEXTS[self.alert.kind].figure, self._slots(finding))

    def standing(self) -> str:
        """How it stands: lost, easing, now beside the worst, or closed."""
        alert, slots = self.alert, self._standing_slots()
        if alert.status is AlertStatus.CLOSED:
            return self.closing()
        if alert.unknown_since is not None:
            return self.speaker.say(LOST, slots)
        return self.speaker.say(EASING if alert.easing else NOW, slots)

    def eased(self) -> str:
        """`Now 75 % RH, goal 60 % RH; worst 80 % RH, Tue 20 Jan 18:57 GMT. Closes after 2 days of this.`, under a
        headline that says that it eases."""
        slots = self._standing_slots()
        return f"{self.speaker.say(NOW, slots)} {self.speaker.say(CLOSES, slots)}"

    def _standing_slots(self) -> dict[str, str | None]:
        alert, now, worst = self.alert, self.figure(self.alert.finding), self.figure(self.alert.worst)
        return {
            "now": self.key(alert.finding),
            "worst": None if worst == now else worst,
            "worst_at": None if alert.worst is None else self.speaker.moment(alert.worst.measured_at),
            "hold": self._hold(),
            "unknown_since": self.speaker.moment(alert.unknown_since),
        }

    def worst(self) -> str:
        """`91 ± 2 % RH, was 84 ± 2 % RH, Tue 20 Jan 18:57 GMT`."""
        worst = self.alert.worst
        if worst is None:
            return ""
        return f"{self.key(worst)}, {self.speaker.moment(worst.measured_at)}"

    def closing(self) -> str:
        """`Closed Tue 20 Jan 18:57 GMT: below 30 % for 24 h.`; empty while it is open."""
        if self.alert.status is not AlertStatus.CLOSED:
            return ""
        slots = {"closed_at": self.speaker.moment(self.alert.closed_at), "because": self.because()}
        return self.speaker.say(CLOSED, slots)

    def because(self) -> str:
        """What ended it."""
        ending = self.alert.ending
        if self.alert.cleared or ending is None:
            return self.speaker.say(TEXTS[self.alert.kind].closing, self._slots(self.alert.finding))
        return self.speaker.text(ENDED[ending.value]).format(who=self.alert.ended_by or "?")

    def why(self) -> str:
        """Why it matters."""
        return self.speaker.text(TEXTS[self.alert.kind].why)

    def first(self) -> str:
        """The first thing to check."""
        return self.speaker.text(self._steps().first)

    def then(self) -> str:
        """What to look at after it, and the cautions."""
        known = self._steps()
        check = check_sentence(self.speaker, self.alert.finding.facts)
        said = (self.speaker.text(known.then), check, *(self.speaker.text(text) for text in known.cautions))
        return " ".join(text for text in said if text)

    def _steps(self) -> Steps:
        return steps(self.alert.kind, self.alert.finding.facts)

    def sms(self, job: str) -> str:
        """`Easing: Getting wet again: cavity (Mill Lane 4). 84 +/-2 % RH. Look for a leak.` in GSM letters."""
        state = ""
        if self.alert.status is AlertStatus.CLOSED:
            state = f"{self.speaker.text('Closed')}: "
        elif self.alert.easing:
            state = f"{self.speaker.text('Easing')}: "
        key = cut(gsm.plain((self.key(self.alert.finding) or "").replace("± ", "±")), _SMS_KEY)
        where = f" ({cut(gsm.plain(job), _SMS_JOB)})" if job else ""
        text = f"{state}{gsm.plain(self.headline())}{where}. {key}. {self.first()}"
        return gsm.fit(text, limit=SMS_LENGTH)

    def _slots(self, finding: Finding) -> dict[str, str | None]:
        if id(finding) not in self._filled:
            self._filled[id(finding)] = finding, self._fill(finding)
        return self._filled[id(finding)][1]

    def _fill(self, finding: Finding) -> dict[str, str | None]:
        facts = finding.facts
        if facts.since is None:
            facts = facts.model_copy(update={"since": finding.since or self.alert.pending_since})
        limits = self.limits
        return self.speaker.slots(facts) | {
            "probe": self.alert.probe,
            "place": self.place or None,
            "limit": None if limits.clear_at is None else _limit(limits.clear_at, limits.unit, self.speaker),
            "raise_limit": None if limits.raise_at is None else self.speaker.limit(limits.raise_at, limits.unit),
            "hold": self._hold(),
        }

    def _hold(self) -> str | None:
        return self.speaker.span(self.limits.hold_s) if self.limits.hold_s > 0.0 else None


def _limit(value: float, unit: str, speaker: Speaker) -> str:
    """A limit as it is said; times in words, an index without a unit."""
    if unit == "s":
        return formats.span(value, speaker.language)
    return speaker.limit(value, "" if unit == "mould index" else unit)


def cut(text: str, length: int) -> str:
    """Text of at most a length, cut at a word where it can be."""
    if len(text) <= length:
        return text
    kept = text[: length - 1]
    word = kept.rpartition(" ")[0]
    return (word if len(word) > 0.6 * length else kept).rstrip(" ,;:-(") + "…"
