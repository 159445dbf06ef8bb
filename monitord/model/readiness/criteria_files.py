"""Criteria files: TOML to `Criteria`, every mistake of a file at once; the built-in ones and a firm's own."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from pathlib import Path

from pydantic import ValidationError

from monitord.errors import ConfigurationError
from monitord.model.explain import problems, read_toml
from monitord.model.readiness.criteria import Criteria

CriteriaBook = Mapping[str, Criteria]
"""Criteria by id."""

DRY_TO_GOAL = "dry-to-goal"
"""The built-in criteria that elements other than slabs are held to."""


@lru_cache(maxsize=1)
def built_in() -> CriteriaBook:
    """The criteria that come with the program, by id."""
    folder = resources.files("monitord.model.readiness") / "criteria"
    files = sorted((entry for entry in folder.iterdir() if entry.name.endswith(".toml")), key=lambda e: e.name)
    found = (parse_criteria(entry.read_text(encoding="utf-8"), entry.name) for entry in files)
    return {criteria.id: criteria for criteria in found}


def criteria_book(folder: Path | None) -> CriteriaBook:
    """The built-in criteria with a firm's own folder laid over them; a file with a built-in id replaces that one.

    Raises
    ------
    ConfigurationError : the folder can't be read, a file is wrong, or two files of it have one id.
    """
    if folder is None:
        return built_in()
    if not folder.is_dir():
        raise ConfigurationError("not a folder", where=str(folder), remedy="Correct `criteria.folder` or make it")
    own: dict[str, Criteria] = {}
    wrong: list[str] = []
    for path in sorted(folder.glob("*.toml")):
        try:
            criteria = load_criteria(path)
        except ConfigurationError as error:
            wrong.append(error.message)
            continue
        if criteria.id in own:
            wrong.append(f"{path}: id {criteria.id!r} is that of another file of this folder. Give each its own")
        own[criteria.id] = criteria
    if wrong:
        raise ConfigurationError("\n".join(wrong))
    return {**built_in(), **own}


def load_criteria(path: Path) -> Criteria:
    """Read one criteria file.

    Raises
    ------
    ConfigurationError : it can't be read or is wrong; names every mistake, one a line.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            "the criteria file can't be read", where=str(path), why=str(error), remedy="Check path and permissions"
        ) from None
    return parse_criteria(text, str(path))


def parse_criteria(text: str, where: str) -> Criteria:
    """Criteria from the text of a file; `where` names it in errors.

    Raises
    ------
    ConfigurationError : as `load_criteria`.
    """
    try:
        data = read_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(
            "the criteria file is not TOML", where=where, why=str(error), remedy="Correct that line"
        ) from None
    try:
        return Criteria.model_validate(data)
    except ValidationError as error:
        lines = [
            f"{where}: {found.what}. {found.remedy or 'Correct it'}".rstrip(".") + "."
            for found in problems(error, Criteria)
        ]
        raise ConfigurationError("\n".join(lines)) from None
