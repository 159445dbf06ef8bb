"""Parts of pages that are rendered once for all who may see them.

    {% kept key, made_of, ... %} ... {% endkept %}

The part is rendered anew when anything that it names after the key is another. It may depend on nothing else: to ask
inside of it who asks is an error, so no button and no word of one person can come to another.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable

from jinja2 import Environment, nodes
from jinja2.ext import Extension
from jinja2.parser import Parser
from markupsafe import Markup

from monitord.web.kept import Kept
from monitord.web.visitor import for_all

_MAX_BYTES = 24 * 2**20
"""Of the parts that are kept. Our choice: those of some hundred pages of large jobs."""


class KeptParts(Extension):
    """The tag `kept`."""

    def __init__(self, environment: Environment) -> None:
        super().__init__(environment)
        self.tags = {"kept"}
        self._parts: Kept[Markup] = Kept(_MAX_BYTES, len)

    def parse(self, parser: Parser) -> nodes.Node:
        """The tag as a call that renders its body where that is needed."""
        line = next(parser.stream).lineno
        named = [parser.parse_expression()]
        while parser.stream.skip_if("comma"):
            named.append(parser.parse_expression())
        body = parser.parse_statements(("name:endkept",), drop_needle=True)
        place = nodes.Const(f"{parser.name}:{line}")
        call = self.call_method("_part", [place, nodes.List(named)])
        return nodes.CallBlock(call, [], [], body).set_lineno(line)

    def _part(self, place: str, named: list[Hashable], caller: Callable[[], Markup]) -> Markup:
        key, *made_of = named

        def render() -> Markup:
            with for_all():
                return caller()

        return self._parts.of((place, key), tuple(made_of), render)
