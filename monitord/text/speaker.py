"""Puts facts into the slots of messages, in one language, one time zone, as read at one moment."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from monitord.model.facts import Cause, Facts, Material
from monitord.model.quantity import Quantity
from monitord.text import formats, terms, times
from monitord.text.catalogue import Language, slots_of

Slots = Mapping[str, str | None]
"""Name of a slot to its text; None where it is not known."""


def _as_it_is(quantity: Quantity) -> Quantity:
    return quantity


@dataclass(frozen=True)
class Speaker:
    """Says things to one reader."""

    language: Language
    zone: tzinfo
    now: datetime
    convert: Callable[[Quantity], Quantity] = _as_it_is
    """Into the reader's own units; the program's own are SI."""
    tied: bool = False
    """Whether a number, its ± and its unit are held on one line, as on a page."""

    def say(self, variants: Sequence[str], slots: Slots, max_length: int | None = None) -> str:
        """The first of the variants whose slots are all known, filled in; the last one needs none.

        With `max_length` the first of them that is no longer than that; where each is longer, the shortest.
        """
        said = ""
        for message in variants:
            if all(slots.get(name) is not None for name in slots_of(message)):
                text = self._spaced(self.language.text(message).format_map(dict(slots)))
                if max_length is None or len(text) <= max_length:
                    return text
                said = min(said or text, text, key=len)
        return said

    def _spaced(self, text: str) -> str:
        ended = text.replace("..", ".")  # a sentence that ends with an abbreviation
        return ended if self.tied else ended.replace(formats.TIE, " ")

    def text(self, message: str) -> str:
        """A message without slots."""
        return self.language.text(message)

    def amount(self, quantity: Quantity | None) -> str | None:
        """A quantity with ± and unit."""
        return None if quantity is None else self._spaced(formats.amount(self.convert(quantity), self.language))

    def size(self, quantity: Quantity | None) -> str | None:
        """The size of a change without its sign: which way it goes is said in words."""
        return None if quantity is None else self.amount(quantity.model_copy(update={"value": abs(quantity.value)}))

    def moment(self, at: datetime | None) -> str | None:
        """Day, time and zone."""
        return None if at is None else self._spaced(times.moment(at, self.now, self.zone, self.language))

    def day(self, at: datetime | None) -> str | None:
        """A date."""
        return None if at is None else self._spaced(times.day(at, self.now, self.zone, self.language))

    def _later_day(self, at: datetime | None) -> str | None:
        """A date after today's; None otherwise: that something is not before today says nothing."""
        later = at is not None and at.astimezone(self.zone).date() > self.now.astimezone(self.zone).date()
        return self.day(at) if later else None

    def _any_day(self, facts: Facts) -> str | None:
        """Where a goal may be met today already; None otherwise."""
        begun = facts.low is not None and self._later_day(facts.low) is None
        return self.text(terms.ANY_DAY) if begun else None

    def _weekday(self, at: datetime | None) -> str | None:
        """A date with the day of the week."""
        return None if at is None else self._spaced(times.day(at, self.now, self.zone, self.language, weekday=True))

    def days(self, first: datetime | None, last: datetime | None) -> str | None:
        """A range of dates."""
        if first is None or last is None:
            return None
        return self._spaced(times.days(first, last, self.now, self.zone, self.language))

    def span(self, seconds: float | None) -> str | None:
        """A length of time."""
        return None if seconds is None else self._spaced(formats.span(seconds, self.language))

    def slots(self, facts: Facts) -> dict[str, str | None]:
        """Every slot that facts fill."""
        filled = self._quantities(facts) | self._times(facts) | self._terms(facts)
        # timber is dated by the air it follows, not by its rate
        filled["timber_dates"] = filled["dates"] if facts.material is Material.TIMBER else None
        if facts.cause is not None:
            filled["cause"] = self.say(terms.CAUSES[facts.cause], filled)
            filled["from_below"] = filled["cause"] if facts.cause is Cause.FED_FROM_BELOW else None
            filled["short_cause"] = self.say(terms.CAUSES[facts.cause], filled | {"dehumidifier_out": None})
        return filled

    def _quantities(self, facts: Facts) -> dict[str, str | None]:
        rate = facts.rate
        rising = rate is not None and rate.value > 0.0
        dew = facts.dew_point
        point = terms.FROST_POINT if dew is not None and dew.value < 0.0 else terms.DEW_POINT
        return {
            "value": self.amount(facts.value),
            "before": self.amount(facts.before),
            "expected": self.amount(facts.expected),
            "computed_value": self.amount(facts.value) if facts.being_computed else None,
            "goal": self._limit(facts.goal),
            "end": self._limit(facts.end, whole=True),
            "rate": self.signed(rate),
            "rise": self.size(rate) if rising else None,
            "fall": self.size(rate) if not rising else None,
            "margin": self.signed(facts.margin),
            "surface_temperature": self.amount(facts.surface_temperature),
            "dew": None if dew is None else self.text(point).format(value=self.amount(dew)),
            "check": self.bare(facts.check),
            "settles": None if facts.check_settles is None else formats.chance(facts.check_settles),
            "settles_likely": self._likely(facts.check_settles),
            "chance": None if facts.chance is None else formats.chance(facts.chance),
            "likely": self._likely(facts.chance),
            "probes": None if facts.probes is None else str(facts.probes),
            "count": None if facts.count is None else str(facts.count),
            "sealed_h": None if facts.sealed_h is None else f"{facts.sealed_h:.0f}",
            "sealed": self.span(None if facts.sealed_h is None else 3600.0 * facts.sealed_h),
            "needed_h": None if facts.needed_h is None else f"{facts.needed_h:g}",
            "over_h": None if facts.sealed_h is None or _within(facts) else f"{facts.sealed_h:.0f}",
            "days": None if facts.recorded_d is None else f"{int(facts.recorded_d)}",
        }

    def _likely(self, probability: float | None) -> str | None:
        return None if probability is None else formats.chance_word(probability, self.language)

    def _limit(self, quantity: Quantity | None, *, whole: bool = False) -> str | None:
        """A number that has no uncertainty."""
        if quantity is None:
            return None
        shown = self.convert(quantity)
        value = round(shown.value) if whole and abs(shown.value) >= 10.0 else shown.value
        return formats.bare(round(value, formats.limit_decimals(shown.unit)), shown.unit, self.language)

    def limit(self, value: float, unit: str) -> str:
        """A limit of a rule in as few digits as it has."""
        shown = self.convert(Quantity(value=value, unit=unit))
        digits = value if shown.unit == unit else round(shown.value, formats.limit_decimals(shown.unit))
        return formats.bare(digits, shown.unit, self.language)

    def bare(self, quantity: Quantity | None, decimals: int | None = None) -> str | None:
        """A quantity whose uncertainty is not said, such as a depth, with unit; whole where `decimals` is None."""
        if quantity is None:
            return None
        shown = self.convert(quantity)
        places = decimals if decimals is not None else formats.stated_decimals(shown.unit)
        text = f"{formats.number(shown.value, places, self.language)} {self.text(shown.unit.removesuffix('/day'))}"
        return self._spaced(text.replace(" ", formats.TIE))

    def signed(self, quantity: Quantity | None, decimals: int | None = None) -> str | None:
        """A difference with its sign, ± and unit; without ± where `decimals` is given."""
        if quantity is None:
            return None
        text = self.amount(quantity) if decimals is None else self.bare(quantity, decimals)
        return f"+{text}" if quantity.value > 0.0 else text

    def _times(self, facts: Facts) -> dict[str, str | None]:
        start = facts.start
        return {
            "at": self.moment(facts.at),
            "since": self.moment(facts.since),
            "dehumidifier_out": self._weekday(facts.dehumidifier_out_at),
            "before_at": self.moment(facts.before_at),
            "low": self._later_day(facts.low),
            "any_day": self._any_day(facts),
            "dates": self.days(facts.low, facts.high),
            "earlier_dates": self.days(facts.earlier_low, facts.earlier_high),
            "earlier_day": self.day(facts.earlier_made_at),
            "start_day": self.day(start),
            "window": None if start is None else times.window(start, facts.until, self.now, self.zone, self.language),
            "possibly_from": None if facts.possibly_from is None else times.clock(facts.possibly_from, self.zone),
            "measured_day": self.day(facts.measured_at),
            "signed_off_day": self.day(facts.signed_off_at),
            "signed_off_by": facts.signed_off_by,
            "counting_probe": facts.counting_probe,
            "other_probe": facts.other_probe,
            "due_day": self.day(facts.due),
            "interval": self.span(facts.interval_s),
            "age": self.span(facts.age_s),
            "date_span": self.span(facts.date_span_s),
            "checked_span": self.span(facts.checked_span_s),
        }

    def _terms(self, facts: Facts) -> dict[str, str | None]:
        explained = terms.EXPLAINED[facts.outdoor_known is not False]
        return {
            "surface": None if facts.surface is None else self.text(terms.SURFACES[facts.surface]),
            "material": None if facts.material is None else self.text(terms.MATERIALS[facts.material]),
            "growth": None if facts.growth is None else self.text(terms.GROWTHS[facts.growth]),
            "fault": None if facts.fault is None else self.text(terms.FAULTS[facts.fault]),
            "excluded_fault": self.text(terms.FAULTS[facts.fault]) if facts.fault and facts.excluded else None,
            "unexplained": self.text(explained),
        }


def _within(facts: Facts) -> bool:
    """Whether a sleeve's hours have not passed what its standard asks for."""
    return facts.sealed_h is None or facts.needed_h is None or facts.sealed_h < facts.needed_h
