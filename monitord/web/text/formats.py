"""Numbers as they stand on a page: rounded as in sentences (`monitord.text.formats`), a dash for what is not known."""

from __future__ import annotations

from monitord.model.assessments import Quantity
from monitord.model.jobs import Accuracy
from monitord.model.units import Units, size_in, unit_in, value_in
from monitord.text import formats
from monitord.text.catalogue import FALLBACK, language

_DASH = "—"
_ENGLISH = language(FALLBACK)


def number(value: float, decimals: int) -> str:
    """A number with a true minus sign, and no minus before a zero."""
    return formats.number(value, decimals, _ENGLISH)


def with_uncertainty(value: float, expanded: float | None, unit: str) -> str:
    """`84 ± 2`, without its unit, which only says how many decimals a value has whose uncertainty is not known."""
    return formats.TIE.join(part for part in formats.rounded(value, expanded or 0.0, unit, _ENGLISH) if part)


def uncertainty(expanded: float) -> str:
    """`± 2`, rounded as beside a value."""
    return f"±{formats.TIE}{number(expanded, formats.places_of(expanded))}" if expanded > 0.0 else f"±{formats.TIE}0"


def amount(quantity: Quantity | None) -> str:
    """`84 ± 2 % RH`; a dash for what is not known."""
    return _DASH if quantity is None else formats.amount(quantity, _ENGLISH)


def plain(quantity: Quantity | None) -> str:
    """`19.4 °C`, without its uncertainty; a dash for what is not known."""
    return _DASH if quantity is None else amount(quantity.model_copy(update={"u": None}))


def magnitude(quantity: Quantity) -> str:
    """The size of a difference without its sign: which way it goes is said in words."""
    return amount(quantity.model_copy(update={"value": abs(quantity.value)}))


def length(mm: float, units: Units) -> str:
    """`40 mm`, `1.57 in`: a depth or a thickness as it is read."""
    return f"{value_in(mm, 'mm', units):.3g}{formats.TIE}{unit_in('mm', units)}"


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
