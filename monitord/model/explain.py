"""Turns what is wrong with a file or a model into what its reader can act on: which key, what is wrong, what to do."""

from __future__ import annotations

import difflib
import re
import tomllib
import typing
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

Loc = tuple[str | int, ...]


_TIME = "it should be a time with its offset, such as 2025-03-01T10:00:00Z"
_WANTED = {
    "datetime_parsing": _TIME,
    "datetime_from_date_parsing": _TIME,
    "datetime_type": _TIME,
    "datetime_object_invalid": _TIME,
    "timezone_aware": "it has no offset; it should be a time such as 2025-03-01T10:00:00Z",
    "float_type": "it should be a number, without quotes",
    "float_parsing": "it should be a number",
    "int_type": "it should be a whole number, without quotes",
    "int_parsing": "it should be a whole number",
    "int_from_float": "it should be a whole number",
    "finite_number": "it should be a finite number",
    "string_type": "it should be a text in quotes",
    "bool_type": "it should be true or false",
    "list_type": "it should be a list, [...]",
    "tuple_type": "it should be a list, [...]",
    "model_type": "it should be a table with keys of its own",
    "model_attributes_type": "it should be a table with keys of its own",
    "string_pattern_mismatch": "it holds signs that are not allowed there",
}
"""What is wanted, by the validating library's type of error, where its own words are those of a parser."""


_NOW = {"least": "min", "most": "max"}
_RENAMED = re.compile(r"(?<![a-z])(least|most)(?=_)")
"""Words in keys of version 0.1.0, and what stands for them now."""


class MistakesError(ValueError):
    """Several things that are wrong with one entry, each as `what; remedy`."""

    def __init__(self, mistakes: list[str]) -> None:
        self.mistakes = mistakes
        super().__init__(" and ".join(mistakes))


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong in a file or setting."""

    loc: Loc
    what: str
    remedy: str | None

    @property
    def key(self) -> str:
        """The key's path as a person writes it, such as `locations[2].depth_mm`."""
        return key_path(self.loc)


def key_path(loc: Loc) -> str:
    """A location in nested data as a dotted path."""
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def key_name(name: str, field: FieldInfo) -> str:
    """The name of a field as it stands in a file."""
    return field.alias or name


def nearest(word: str, known: Iterator[str] | list[str]) -> str | None:
    """The known word that is most like `word`, if any is like it at all."""
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """The models that a type holds, seen through unions, containers and annotations."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if get_origin(annotation) is typing.Literal:
        return []
    return [model for part in get_args(annotation) for model in models_in(part)]


def is_list(annotation: Any) -> bool:
    """Whether a type is a list or tuple, alone or as a part of a union."""
    origin = get_origin(annotation)
    if origin in (Union, UnionType):
        return any(is_list(part) for part in get_args(annotation))
    return origin in (list, tuple)


def is_table(annotation: Any) -> bool:
    """Whether a type is a table whose keys a person chooses."""
    return get_origin(annotation) is dict


def field_at(model: type[BaseModel], loc: Loc) -> FieldInfo | None:
    """The field that a location leads to, if the model has it."""
    models, found = [model], None
    for part in (p for p in loc if isinstance(p, str)):
        fields = [f for m in models for n, f in m.model_fields.items() if part in (n, f.alias)]
        if not fields:
            continue  # the tag of a union, or a key of a mapping
        found = fields[0]
        models = models_in(found.annotation)
    return found


def known_keys(model: type[BaseModel], loc: Loc) -> list[str]:
    """The keys that may stand at a location."""
    field = field_at(model, loc) if loc else None
    models = models_in(field.annotation) if field is not None else [model]
    return [key_name(name, field) for m in models for name, field in m.model_fields.items()]


def problems(error: ValidationError, model: type[BaseModel]) -> list[Problem]:
    """What is wrong, one entry for each key: unknown ones first, since a mistyped key is missing elsewhere."""
    details = sorted(error.errors(include_url=False), key=lambda detail: detail["type"] != "extra_forbidden")
    return [problem for detail in details for problem in _problems(detail, model)]


def problems_of(mistakes: list[str]) -> list[Problem]:
    """What is wrong with a whole file, each mistake given as `what; remedy`."""
    parts = [mistake.partition("; ") for mistake in mistakes]
    return [Problem((), what, _sentence(remedy) or None) for what, _, remedy in parts]


def _problems(detail: ErrorDetails, model: type[BaseModel]) -> list[Problem]:
    error = detail.get("ctx", {}).get("error")
    if not isinstance(error, MistakesError):
        return [_problem(detail, model)]
    return [_problem({**detail, "ctx": {"error": mistake}}, model) for mistake in error.mistakes]


def _problem(detail: ErrorDetails, model: type[BaseModel]) -> Problem:
    loc, key = detail["loc"], key_path(detail["loc"])
    if detail["type"] == "extra_forbidden":
        return _unknown_key(loc, model)
    if detail["type"] == "missing":
        return Problem(loc, f"key `{key}` is missing", _about(model, loc) or "Add it")
    if detail["type"] == "value_error":
        reason = str(detail["ctx"]["error"]) if "ctx" in detail else detail["msg"]
        what, _, remedy = reason.partition("; ")
        return Problem(loc, f"`{key}`: {what}" if key else what, _sentence(remedy) or None)
    wanted = _WANTED.get(detail["type"]) or detail["msg"].replace("Input should", "it should").replace(
        "Value should", "it should"
    )
    shown = "" if isinstance(detail["input"], Mapping | list) else f" is {_show(detail['input'])}, but"
    return Problem(loc, f"`{key}`{shown or ':'} {wanted}", _about(model, loc))


def _unknown_key(loc: Loc, model: type[BaseModel]) -> Problem:
    known = known_keys(model, loc[:-1])
    renamed = _RENAMED.sub(lambda word: _NOW[word[0]], str(loc[-1]))
    if renamed != loc[-1] and renamed in known:
        return Problem(
            loc, f"`{key_path(loc)}` is called `{renamed}` since version 0.2.0", "Rename it; its value holds"
        )
    close = nearest(str(loc[-1]), known)
    remedy = f"Did you mean `{close}`?" if close else f"Remove it, or use one of {', '.join(sorted(known))}"
    return Problem(loc, f"unknown key `{key_path(loc)}`", remedy)


def _about(model: type[BaseModel], loc: Loc) -> str | None:
    field = field_at(model, loc)
    if field is None or not field.description:
        return None
    return f"`{loc[-1]}` is: {' '.join(field.description.split())}"


def _show(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def read_toml(text: str) -> dict[str, Any]:
    """The tables of a text in TOML.

    Raises
    ------
    tomllib.TOMLDecodeError : it is none, its lists and tables are nested deeper than can be read, or a number of it has
        thousands of digits.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("lists or tables are nested too deep to be read") from None
    except ValueError:  # int() takes 4,300 digits
        raise tomllib.TOMLDecodeError("a number is too long to be read") from None
