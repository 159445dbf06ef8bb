"""Conversion of units at the edge; inside, everything is in °C, %, Pa, kg/kg and SI."""

from __future__ import annotations

from dataclasses import dataclass

from monitord.errors import PhysicsRangeError
from monitord.physics.numeric import N, in_range


@dataclass(frozen=True)
class Unit:
    """One unit: what it measures, and how a value becomes the base unit: base = value · factor + offset."""

    dimension: str
    factor: float
    offset: float = 0.0
    lowest: float = float("-inf")
    """Lowest value that exists, in the base unit (absolute zero); else none."""


_ABSOLUTE_ZERO_C = -273.15

# Factors: NIST Special Publication 811 (2008), appendix B.8; exact where it prints them bold.
UNITS: dict[str, Unit] = {
    # temperature, base °C
    "°C": Unit("temperature", 1.0, 0.0, _ABSOLUTE_ZERO_C),
    "Cel": Unit("temperature", 1.0, 0.0, _ABSOLUTE_ZERO_C),  # as SenML writes it (RFC 8428)
    "°F": Unit("temperature", 5.0 / 9.0, -160.0 / 9.0, _ABSOLUTE_ZERO_C),
    "K": Unit("temperature", 1.0, -273.15, _ABSOLUTE_ZERO_C),
    # relative humidity, base %
    "%RH": Unit("relative humidity", 1.0),
    "ratio": Unit("relative humidity", 100.0),
    # pressure, base Pa
    "Pa": Unit("pressure", 1.0),
    "hPa": Unit("pressure", 100.0),
    "mbar": Unit("pressure", 100.0),
    "kPa": Unit("pressure", 1000.0),
    "inHg": Unit("pressure", 3386.389),  # conventional inch of mercury
    "mmHg": Unit("pressure", 133.3224),  # conventional millimetre of mercury
    "psi": Unit("pressure", 6894.757),
    # humidity ratio, base kg/kg
    "kg/kg": Unit("humidity ratio", 1.0),
    "g/kg": Unit("humidity ratio", 1e-3),
    "gr/lb": Unit("humidity ratio", 1.0 / 7000.0),
    # absolute humidity, base kg/m³
    "kg/m³": Unit("absolute humidity", 1.0),
    "g/m³": Unit("absolute humidity", 1e-3),
    "gr/ft³": Unit("absolute humidity", 6.479891e-5 / 0.3048**3),
    # length, base m
    "m": Unit("length", 1.0),
    "cm": Unit("length", 0.01),
    "mm": Unit("length", 1e-3),
    "in": Unit("length", 0.0254),
    "ft": Unit("length", 0.3048),
    # area and volume, base m² and m³
    "m²": Unit("area", 1.0),
    "ft²": Unit("area", 0.3048**2),
    "m³": Unit("volume", 1.0),
    "ft³": Unit("volume", 0.3048**3),
    "L": Unit("volume", 1e-3),
    "pt": Unit("volume", 4.73176473e-4),  # US liquid pint, in which dehumidifiers are rated
    "gal": Unit("volume", 3.785411784e-3),  # US gallon
    # mass, base kg
    "kg": Unit("mass", 1.0),
    "g": Unit("mass", 1e-3),
    "lb": Unit("mass", 0.45359237),
    # voltage, base V
    "V": Unit("voltage", 1.0),
    "mV": Unit("voltage", 1e-3),
}
"""Every unit that is understood, by its sign."""


def _pair(from_unit: str, to_unit: str) -> tuple[Unit, Unit]:
    for name in (from_unit, to_unit):
        if name not in UNITS:
            raise PhysicsRangeError(
                f"{name!r} is not a known unit", why=f"known are {', '.join(UNITS)}", remedy="Use one of these"
            )
    source, target = UNITS[from_unit], UNITS[to_unit]
    if source.dimension != target.dimension:
        raise PhysicsRangeError(
            f"{from_unit} cannot become {to_unit}", why=f"one is {source.dimension}, the other {target.dimension}"
        )
    return source, target


def convert(value: N, from_unit: str, to_unit: str) -> N:
    """Convert a value between two units of one dimension.

    Parameters
    ----------
    value : The quantity. [from_unit] Range finite; temperatures from absolute zero.
    from_unit, to_unit : Signs of units, as in `UNITS`. [word] Range the keys of `UNITS`.

    Returns
    -------
    The same quantity. [to_unit]

    Raises
    ------
    PhysicsRangeError : an unknown unit, two dimensions, a value below absolute zero, or a lone NaN.

    Source
    ------
    NIST Special Publication 811 (2008), appendix B.8; inch, foot, pound, grain, pint and gallon are exact.
    """
    source, target = _pair(from_unit, to_unit)
    low = (source.lowest - source.offset) / source.factor
    low -= 1e-12 * abs(low) if abs(low) < 1e300 else 0.0  # absolute zero itself survives its own conversion
    quantity = in_range("value", value, max(low, -1e300), 1e300, from_unit)
    if source is target:
        return quantity
    return (quantity * source.factor + (source.offset - target.offset)) / target.factor


def convert_difference(value: N, from_unit: str, to_unit: str) -> N:
    """Convert a difference, or an uncertainty, between two units: 1 K is 1.8 °F here, where `convert` adds 32.

    Parameters
    ----------
    value : The difference. [from_unit] Range finite.
    from_unit, to_unit : Signs of units, as in `UNITS`. [word] Range the keys of `UNITS`.

    Returns
    -------
    The same difference. [to_unit]

    Raises
    ------
    PhysicsRangeError : an unknown unit, two dimensions, or a lone NaN.

    Source
    ------
    NIST Special Publication 811 (2008), appendix B.8.
    """
    source, target = _pair(from_unit, to_unit)
    quantity = in_range("value", value, -1e300, 1e300, from_unit)
    return quantity if source is target else quantity * (source.factor / target.factor)
