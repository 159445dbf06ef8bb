"""Numbers as people read them: value, ±, unit; chances; spans of time.

± is the expanded uncertainty with k = 2, about 95 % (JCGM 100:2008, 6.3.3), given to one digit, to two where it begins
with 1 (7.2.6); the value is rounded to the same place.
"""

from __future__ import annotations

import math

from monitord.model.quantity import Quantity
from monitord.text.catalogue import Language

COVERAGE = 2.0
"""k of every ± on pages and in messages (JCGM 100:2008, 6.3.3)."""

TIE = "\u00a0"
"""A space at which no line is broken: a number stays with its ± and its unit."""

_KILO = 1000.0
_BARE_DECIMALS = {"Pa": 0, "V": 2, "inHg": 3, "gr/lb": 0}
"""Decimals of values whose uncertainty is not known, where that is not one."""

_CHANCES = ((0.895, "very likely"), (0.595, "likely"), (0.395, "about even"), (0.095, "possible"), (0.0, "unlikely"))
"""From which chance on each word is used: 90, 60, 40 and 10 %, after rounding to whole per cent (our choice)."""

_SPANS = ((172_800.0, 86_400.0, "{n} days"), (5_400.0, 3_600.0, "{n} h"), (90.0, 60.0, "{n} min"), (0.0, 1.0, "{n} s"))
"""From how many seconds on which unit is used, and its length. [s]"""

_WORDS = ("% RH", "% MC", "% plaster", "% concrete", "{n} days")
MESSAGES = (*(word for _, word in _CHANCES), *(form for _, _, form in _SPANS), *_WORDS)


def number(value: float, decimals: int, language: Language) -> str:
    """A number with a true minus sign, and no minus before a zero; `decimals` below 0 rounds to tens or hundreds."""
    text = f"{round(value, decimals):.{max(decimals, 0)}f}"
    text = text.removeprefix("-") if float(text) == 0.0 else text.replace("-", "−")
    return text.replace(".", language.decimal)


def places_of(uncertainty: float) -> int:
    """Decimals that an expanded uncertainty is given to: one digit of it, two where it begins with 1."""
    exponent = math.floor(math.log10(uncertainty))
    leading = round(uncertainty / 10.0**exponent, 1)
    if leading >= 9.5:
        exponent, leading = exponent + 1, 1.0
    return -exponent + (1 if leading < 1.95 else 0)


def decimals_of(unit: str) -> int:
    """Decimals that values of a unit are shown with where their uncertainty is not known."""
    return _BARE_DECIMALS.get(unit, 1)


def rounded(value: float, expanded: float, unit: str, language: Language) -> tuple[str, str]:
    """A value and its `± 2`, both to the place that ± is given to; ± is empty where `expanded` is 0 or not finite."""
    if not (math.isfinite(expanded) and expanded > 0.0):
        return number(value, decimals_of(unit), language), ""
    decimals = places_of(expanded)
    return number(value, decimals, language), f"±{TIE}{number(expanded, decimals, language)}"


def parts(quantity: Quantity, language: Language) -> tuple[str, str, str]:
    """Value, `± 2` (empty where the uncertainty is not known) and unit."""
    value, unit = quantity.value, quantity.unit.removesuffix("/day")
    expanded = COVERAGE * (quantity.u or 0.0)
    if unit == "Pa" and abs(value) >= _KILO:
        value, expanded, unit = value / _KILO, expanded / _KILO, "kPa"
    return *rounded(value, expanded, unit, language), language.text(unit) if unit else ""


def amount(quantity: Quantity, language: Language) -> str:
    """`89 ± 2 % RH`."""
    return TIE.join(part for part in parts(quantity, language) if part).replace(" ", TIE)


def bare(value: float, unit: str, language: Language) -> str:
    """A limit or another number without uncertainty, in as few digits as it has: `2.5 V`, `30 %`."""
    if unit == "1":
        value, unit = 100.0 * value, "%"
    text = f"{value:.6g}".replace("-", "−").replace(".", language.decimal)
    return TIE.join(part for part in (text, language.text(unit) if unit else "") if part).replace(" ", TIE)


def limit_decimals(unit: str) -> int:
    """Decimals that a limit is rounded to: three in inches of mercury, of which 0.03 are 100 Pa."""
    return max(2, _BARE_DECIMALS.get(unit, 2))


def stated_decimals(unit: str) -> int:
    """Decimals of a number that is stated without an uncertainty: whole, but finer in inches and feet."""
    return {"inHg": 3, "in": 1, "ft": 1}.get(unit, 0)


def chance(probability: float) -> str:
    """`72 %`; never 0 or 100 %, since neither is known."""
    percent = round(100.0 * probability)
    if percent < 1:
        return f"<{TIE}1{TIE}%"
    return f">{TIE}99{TIE}%" if percent > 99 else f"{percent}{TIE}%"


def chance_word(probability: float, language: Language) -> str:
    """`likely`: the word for a chance, always beside its number."""
    return language.text(next(word for limit, word in _CHANCES if probability >= limit))


def span(seconds: float, language: Language) -> str:
    """`25 h`, `3 days`: a length of time, rounded to what matters."""
    _, unit, form = next(row for row in _SPANS if abs(seconds) >= row[0])
    return language.text(form).format(n=round(seconds / unit)).replace(" ", TIE)
