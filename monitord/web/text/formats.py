"""Numbers as they stand on a page: rounded to what the uncertainty allows, with a true minus sign."""

from __future__ import annotations

import math

from monitord.model.assessments import Quantity
from monitord.model.jobs import Accuracy
from monitord.model.units import Units, size_in, unit_in

_DECIMALS = {"Pa": 0, "g/kg": 1, "K": 1, "°C": 1, "%": 1, "% RH": 1, "% MC": 1, "V": 2, "inHg": 3, "gr/lb": 0}
_MOST_DECIMALS = 4
"""An uncertainty that is smaller still is shown as zero. Our choice."""
_DASH = "—"
_TIE = "\u00a0"
"""A space at which no line is broken: a number stays with its uncertainty and its unit."""


def decimals_of(unit: str) -> int:
    """Decimals that values of a unit are shown with."""
    return _DECIMALS.get(unit, 1)


def number(value: float, decimals: int) -> str:
    """A number with a true minus sign, and no minus before a zero."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text.replace("-", "−")


def plain(quantity: Quantity | None) -> str:
    """`19.4 °C`, without its uncertainty; a dash for what is not known."""
    if quantity is None:
        return _DASH
    return f"{number(quantity.value, decimals_of(quantity.unit))}{_TIE}{quantity.unit.replace(' ', _TIE)}"


def suspect(quantity: Quantity | None, coverage: float) -> str:
    """`84.1 ± 2.3 %`: the value and `coverage` standard uncertainties; a dash for what is not known."""
    if quantity is None:
        return _DASH
    value, uncertainty = parts(quantity, coverage)
    return _TIE.join((value, *((uncertainty,) if uncertainty else ()), quantity.unit.replace(" ", _TIE)))


def parts(quantity: Quantity, coverage: float) -> tuple[str, str]:
    """The value, and the uncertainty as `± 2.3` (empty where it is not known)."""
    decimals = decimals_of(quantity.unit)
    if quantity.u is not None and (u := coverage * quantity.u) > 0.0:
        decimals = max(decimals, min(_MOST_DECIMALS, math.ceil(-math.log10(2.0 * u))))  # "± 0.00" would say: exact
    uncertainty = f"±{_TIE}{number(coverage * quantity.u, decimals)}" if quantity.u is not None else ""
    return number(quantity.value, decimals), uncertainty


def amount(quantity: Quantity, coverage: float) -> str:
    """The size of a difference without its sign: which way it goes is said in words."""
    return suspect(quantity.model_copy(update={"value": abs(quantity.value)}), coverage)


def accuracy(stated: Accuracy, units: Units) -> str:
    """`± 0.3 K, ± 2 % RH`: the limits that a probe's manufacturer states."""
    limit_k = size_in(stated.temperature_c, "K", units)
    return f"± {limit_k:.2g} {unit_in('K', units)}, ± {stated.relative_humidity_pct:g} % RH"


def percent(share: float) -> str:
    """A probability as words of per cent; never 0 or 100, since neither is known."""
    if share < 0.01:
        return "under 1 %"
    if share > 0.99:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def counted(n: int, one: str, many: str | None = None) -> str:
    """`1 location`, `2 locations`."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def size(n_bytes: int) -> str:
    """A size in bytes, kB or MB."""
    if n_bytes < 1000:
        return f"{n_bytes} bytes"
    return f"{n_bytes / 1000:.1f} kB" if n_bytes < 1_000_000 else f"{n_bytes / 1_000_000:.1f} MB"
