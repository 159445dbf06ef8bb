"""JMESPath expressions of a topic rule, with functions that see the topic and the whole payload."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import jmespath
from jmespath import functions
from jmespath.exceptions import JMESPathError

from monitord.errors import ConfigurationError, DecodeError
from monitord.ingest.decoding import open_formats


class _Functions(functions.Functions):  # type: ignore[misc]  # the library ships no type information
    """The functions of JMESPath and ours, for one payload."""

    def __init__(self, levels: Mapping[str, str], payload: object) -> None:
        self._levels = levels
        self._payload = payload

    @functions.signature({"types": ["string"]})  # type: ignore[untyped-decorator]
    def _func_topic(self, name: str) -> str | None:
        """The topic's level that the pattern names `{name}`; null where it names none so."""
        return self._levels.get(name)

    @functions.signature()  # type: ignore[untyped-decorator]
    def _func_payload(self) -> object:
        """The whole payload, also from within one of its records."""
        return self._payload

    @functions.signature({"types": ["object"]})  # type: ignore[untyped-decorator]
    def _func_entries(self, value: dict[str, object]) -> list[dict[str, object]]:
        """A map as a list of {key, value}, so that a key can be an id."""
        return [{"key": key, "value": item} for key, item in value.items()]

    @functions.signature({"types": ["object"]})  # type: ignore[untyped-decorator]
    def _func_list_entries(self, value: dict[str, object]) -> list[dict[str, object]]:
        """A map of lists as one list of {key, value}, a value for each item of each list."""
        return [
            {"key": key, "value": item}
            for key, items in value.items()
            for item in (items if isinstance(items, list) else [items])
        ]

    @functions.signature({"types": ["string"]}, {"types": ["string"]})  # type: ignore[untyped-decorator]
    def _func_split(self, text: str, separator: str) -> list[str]:
        """A text in parts."""
        return text.split(separator)

    @functions.signature({"types": []})  # type: ignore[untyped-decorator]
    def _func_to_number(self, value: object) -> object:
        """JMESPath's own, which is null for what is no JSON number; the library takes `nan` and `inf` for one."""
        number = super()._func_to_number(value)
        return None if isinstance(number, float) and not math.isfinite(number) else number

    @functions.signature({"types": []}, {"types": []})  # type: ignore[untyped-decorator]
    def _func_when(self, condition: object, value: object) -> object:
        """The value where the condition holds, else null."""
        return value if holds(condition) else None

    @functions.signature({"types": ["string"]}, {"types": ["string", "null"]})  # type: ignore[untyped-decorator]
    def _func_decode(self, name: str, data: str | None) -> object:
        """What bytes in hexadecimal or base64 say, by a named open format; null for null."""
        return None if data is None else open_formats.decode(name, data)


class Expression:
    """One expression of a rule, ready for use.

    Raises
    ------
    ConfigurationError : it is none.
    """

    def __init__(self, key: str, text: str, where: str) -> None:
        self._where = f"{where}: {key}"
        try:
            self._parsed = jmespath.compile(text)
        except JMESPathError as error:
            raise ConfigurationError(
                f"{text!r} is not a JMESPath expression",
                where=f"topics: {self._where}",
                why=" ".join(str(error).split()),
                remedy="Correct it; names with signs other than letters, digits and _ stand in double quotes",
            ) from None

    def find(self, value: object, scope: jmespath.Options) -> Any:
        """What it finds in a value; null is None.

        Raises
        ------
        DecodeError : `bad_value`, it fails on this payload.
        """
        try:
            return self._parsed.search(value, options=scope)
        except (JMESPathError, RecursionError, ValueError, TypeError, KeyError, OverflowError) as error:
            raise DecodeError(
                "bad_value",
                "the expression fails on this payload",
                where=self._where,
                why=str(error)[:500],
            ) from None


def scope_of(levels: Mapping[str, str], payload: object) -> jmespath.Options:
    """What the functions of an expression see of one payload."""
    return jmespath.Options(custom_functions=_Functions(levels, payload))


def holds(value: object) -> bool:
    """Truth as JMESPath has it: false, null and what is empty are false, and any number is true."""
    return not (value is None or value is False or value in ("", [], {}))
