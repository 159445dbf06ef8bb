"""The links around the charts: each is an address of its own, so that they work without a script as well."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitord.web.charts.time_range import SPANS, Shown

_ZOOM, _SHIFT = 0.5, 0.5


@dataclass(frozen=True)
class Control:
    """One link; without an address there is nowhere to go."""

    id: str
    sign: str
    words: str
    url: str | None
    current: bool = False


@dataclass(frozen=True)
class Controls:
    """The links around the charts of a page."""

    spans: tuple[Control, ...]
    moves: tuple[Control, ...]
    base: str
    """The page's address without any time, for a script to add one."""


def controls_of(shown: Shown, url: Callable[[dict[str, str]], str]) -> Controls:
    """The links for a page whose address is `url(query)`."""

    def moved(name: str, sign: str, words: str, query: dict[str, str] | None) -> Control:
        return Control(name, sign, words, None if query is None else url(query))

    spans = [
        Control(
            f"span-{name}",
            label,
            f"Last {label.replace(' d', ' days').replace('1 days', 'day')}",
            url({"span": name}),
            shown.span == name,
        )
        for name, (label, _) in SPANS.items()
    ]
    spans.append(Control("span-all", "All", "The whole job", url({"span": "all"}), shown.span == "all"))
    return Controls(
        spans=tuple(spans),
        moves=(
            moved("earlier", "←", "Earlier", shown.shifted(-_SHIFT)),
            moved("later", "→", "Later", shown.shifted(_SHIFT)),
            moved("zoom-in", "+", "Zoom in", shown.zoomed(_ZOOM)),
            moved("zoom-out", "−", "Zoom out", shown.zoomed(1.0 / _ZOOM)),
        ),
        base=url({}),
    )
