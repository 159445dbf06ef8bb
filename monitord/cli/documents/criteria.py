"""`monitord criteria`: the rules for the readiness of slabs and elements, as data."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Iterator

from monitord.cli.common import out, settings_of, show_table
from monitord.errors import ConfigurationError
from monitord.model.readiness.criteria import Criteria, Rule, in_order
from monitord.model.readiness.criteria_files import CriteriaBook, built_in, criteria_book, load_criteria
from monitord.model.readiness.slabs import ServiceConditions

CONFIRM = "‡ Confirm in the edition you work to."


def list_criteria(parsed: Namespace) -> int:
    """Carry out `criteria list`."""
    rows = ((c.id, c.name, c.document, c.edition or "-", _origin(c)) for c in _book(parsed).values())
    show_table(("id", "name", "document", "edition", "from"), rows)
    return 0


def show_criteria(parsed: Namespace) -> int:
    """Carry out `criteria show`."""
    book = _book(parsed)
    if parsed.id not in book:
        raise ConfigurationError(f"there are no criteria {parsed.id!r}", remedy=f"Use one of {', '.join(sorted(book))}")
    criteria = book[parsed.id]
    out(f"{criteria.id}: {criteria.name}")
    out(f"{criteria.document}{', ' if criteria.edition else ''}{criteria.edition}")
    if criteria.about:
        out(criteria.about)
    rules = in_order(criteria)
    show_table(("rule", "asks", "source"), ((name, _asks(rule), _source(rule)) for name, rule in rules))
    if any(rule.confirm for _, rule in rules):
        out(CONFIRM)
    return 0


def check_files(parsed: Namespace) -> int:
    """Carry out `criteria check`."""
    wrong = []
    for path in parsed.files:
        try:
            criteria = load_criteria(path)
        except ConfigurationError as error:
            wrong.append(error.message)
        else:
            out(f"{path}: {criteria.id}, {len(in_order(criteria))} rules, no mistake")
    if wrong:
        raise ConfigurationError("\n".join(wrong))
    return 0


def _book(parsed: Namespace) -> CriteriaBook:
    return criteria_book(settings_of(parsed).criteria.folder)


def _origin(criteria: Criteria) -> str:
    return "program" if built_in().get(criteria.id) == criteria else "own file"


def _asks(rule: Rule) -> str:
    return ", ".join(_values(rule)) or "asked"


def _values(rule: Rule) -> Iterator[str]:
    for name in type(rule).model_fields:
        value = getattr(rule, name)
        if name in Rule.model_fields or value is None:
            continue
        if isinstance(value, ServiceConditions):
            yield f"{value.temperature_min_c:g} to {value.temperature_max_c:g} °C"
            yield f"{value.humidity_min_pct:g} to {value.humidity_max_pct:g} % RH"
        else:
            yield f"{name} {value:g}"


def _source(rule: Rule) -> str:
    return f"{rule.source} ‡" if rule.confirm else rule.source
