"""The rules of RECIPES.md by the kind of gateway, for pages that offer them."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path

_PAGE = Path(__file__).with_name("RECIPES.md")
_BLOCK = re.compile(r"```toml\n(.*?)```", re.DOTALL)


@lru_cache(maxsize=1)
def recipes() -> dict[str, str]:
    """Each kind of gateway, in the page's order, and its rule as TOML."""
    found = {}
    for section in _PAGE.read_text(encoding="utf-8").split("\n## ")[1:]:
        kind, _, body = section.partition("\n")
        rule = _BLOCK.search(body)
        if rule is not None:
            found[kind] = rule[1]
    return found
