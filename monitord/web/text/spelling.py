"""The texts of templates as a reader of US units spells them; what people typed, and what programs read, stays."""

from __future__ import annotations

import re

from jinja2.ext import Extension

from monitord.text.catalogue import american


class AmericanTemplates(Extension):
    """Templates as they are read in the United States: their own words change, expressions do not."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """A template's source before it is parsed."""
        parts = re.split(r"(\{\{.*?\}\}|\{%.*?%\}|\{#.*?#\})", source, flags=re.DOTALL)
        return "".join(part if part.startswith("{") else american(part) for part in parts)
