"""Parts that several forms have: the accuracy of a probe, and how a room will be used."""

from __future__ import annotations

from monitord.model.jobs import Accuracy
from monitord.model.readiness.criteria import Criteria, Method
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.slabs import ServiceConditions
from monitord.model.units import value_in
from monitord.web.routes.typed import FormError, Typed
from monitord.web.visitor import reader_units

MAX_K, MAX_PCT = 5.0, 20.0
"""Larger errors are a fault of the probe, or of the typing (our choice; as far as an accuracy may go)."""
_LOWEST_C, _HIGHEST_C = -30.0, 60.0


def slab_criteria(book: CriteriaBook) -> dict[str, Criteria]:
    """The criteria that a slab may be judged by, in their order."""
    return {key: one for key, one in book.items() if one.method is not Method.GOAL}


def accuracy_of(typed: Typed, both: str) -> Accuracy | None:
    """± limits of a probe; None where none were typed.

    Raises
    ------
    FormError : one of the two is missing, which `both` says, or out of range.
    """
    temperature = typed.measured("u_temperature", 0.01, MAX_K, "K", reader_units())
    humidity = typed.number("u_humidity", 0.1, MAX_PCT, "% RH")
    if temperature is None and humidity is None:
        return None
    if temperature is None or humidity is None:
        raise FormError("u_temperature", both)
    return Accuracy(temperature_c=temperature, relative_humidity_pct=humidity)


def service_of(typed: Typed) -> ServiceConditions | None:
    """How a room will be used; None where nothing of it was typed.

    Raises
    ------
    FormError : one of the four is missing or out of range.
    """
    temperatures = [typed.measured(name, _LOWEST_C, _HIGHEST_C, "°C", reader_units()) for name in ("t_min", "t_max")]
    humidities = [typed.number(name, 0.0, 100.0, "% RH") for name in ("h_min", "h_max")]
    values = [*temperatures, *humidities]
    if all(value is None for value in values):
        return None
    if any(value is None for value in values):
        raise FormError("t_min", "Give lowest and highest of both temperature and humidity, or none of the four.")
    names = ("temperature_min_c", "temperature_max_c", "humidity_min_pct", "humidity_max_pct")
    return ServiceConditions.model_validate(dict(zip(names, values, strict=True)))


def held_service(service: ServiceConditions | None) -> dict[str, str]:
    """How a room will be used, as the fields of a form."""
    if service is None:
        return {}
    units = reader_units()
    return {
        "t_min": f"{value_in(service.temperature_min_c, '°C', units):.4g}",
        "t_max": f"{value_in(service.temperature_max_c, '°C', units):.4g}",
        "h_min": f"{service.humidity_min_pct:g}",
        "h_max": f"{service.humidity_max_pct:g}",
    }
