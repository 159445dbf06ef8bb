"""Reading rules from files, checked whole before any of it is used."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from monitord.alerts.lifecycle.rules import AlertRules, Override, Rule
from monitord.errors import ConfigurationError
from monitord.model.explain import read_toml

_TOP_KEYS = {"rules", "override"}
_Checked = TypeVar("_Checked", Rule, Override)


def default_rule_book() -> AlertRules:
    """The rules that come with the program."""
    return rule_book(None)


def rule_book(path: Path | str | None) -> AlertRules:
    """The default rules with a firm's own file laid over them.

    Raises
    ------
    ConfigurationError : the file can't be read or is not TOML, a key or kind is unknown, a limit is impossible,
        or two overrides have the same scope. Nothing of the file is used then.
    """
    if path is None:
        return AlertRules(_rules(_default_tables(), "the default rules"))
    return rule_book_of(_read(Path(path)), str(path))


def rule_book_of(data: dict[str, Any], where: str) -> AlertRules:
    """The default rules with the content of a rules file laid over them; `where` names it in complaints.

    Raises
    ------
    ConfigurationError : as `rule_book`.
    """
    tables = _default_tables()
    for key in data.keys() - _TOP_KEYS:
        raise ConfigurationError(
            f"unknown key {key!r}",
            where=where,
            remedy="A rules file has [rules.KIND] tables and [[override]] tables",
        )
    for kind, changes in _table(data.get("rules", {}), where, "rules").items():
        _known(kind, tables, where, f"rules.{kind}")
        tables[kind] = {**tables[kind], **_table(changes, where, f"rules.{kind}")}
    rules = _rules(tables, where)
    overrides = _overrides(data.get("override", []), tables, where)
    try:
        return AlertRules(rules, overrides)
    except ConfigurationError as error:
        raise ConfigurationError(
            f"{error.where}: {error.what}", where=where, remedy="Correct the override and start again"
        ) from error


def _default_tables() -> dict[str, dict[str, Any]]:
    text = resources.files("monitord.alerts.lifecycle").joinpath("default_rules.toml").read_text(encoding="utf-8")
    tables: dict[str, dict[str, Any]] = read_toml(text)["rules"]
    return tables


def _read(path: Path) -> dict[str, Any]:
    try:
        return read_toml(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigurationError(
            "the rules file can't be read", where=str(path), why=error.strerror, remedy="Correct alerts.rules_file"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            "the rules file is not TOML", where=str(path), why=str(error), remedy="Correct that line"
        ) from error


def _table(value: object, where: str, key: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ConfigurationError(
            f"{key} is not a table", where=where, remedy=f"Write [{key}] and its keys on lines of their own"
        )
    return value


def _known(kind: str, tables: dict[str, dict[str, Any]], where: str, key: str) -> None:
    if kind not in tables:
        raise ConfigurationError(
            f"{key}: no finding has the kind {kind!r}",
            where=where,
            remedy=f"Use one of {', '.join(sorted(tables))}",
        )


def _rules(tables: dict[str, dict[str, Any]], where: str) -> list[Rule]:
    return [_checked(Rule, {"kind": kind, **table}, where, f"rules.{kind}") for kind, table in tables.items()]


def _overrides(entries: object, tables: dict[str, dict[str, Any]], where: str) -> list[Override]:
    if not isinstance(entries, list):
        raise ConfigurationError("override is not a list", where=where, remedy="Write [[override]] before each one")
    found: list[Override] = []
    for number, entry in enumerate(entries, start=1):
        key = f"override {number}"
        table = dict(_table(entry, where, key))
        scope: dict[str, Any] = {name: table.pop(name) for name in ("kind", "job", "location") if name in table}
        override = _checked(Override, {**scope, "change": table}, where, key)
        _known(override.kind, tables, where, f"{key}: kind")
        if override.job is None and override.location is None:
            raise ConfigurationError(
                f"{key} names neither a job nor a location",
                where=where,
                remedy=f"Name one, or change [rules.{override.kind}] for everywhere",
            )
        if override.scope in {other.scope for other in found}:
            raise ConfigurationError(
                f"{key} has the same kind, job and location as one before it",
                where=where,
                remedy="Put their keys into one",
            )
        found.append(override)
    return found


def _checked(model: type[_Checked], data: dict[str, Any], where: str, key: str) -> _Checked:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise ConfigurationError(f"{key}{plain(error)}", where=where, remedy="Correct it and start again") from error


def plain(error: ValidationError) -> str:
    """The first complaint of a validation, as `.key: what is wrong`."""
    first = error.errors()[0]
    location = "".join(f".{part}" for part in first["loc"])
    text = first["msg"].removeprefix("Value error, ")
    if first["type"] == "extra_forbidden":
        text = "there is no such key"
    return f"{location}: {text}"
