"""Words of chances, until they are made in `monitord.text`."""

from __future__ import annotations


def sure_words(probability: float) -> str:
    """A probability as people say it: never 0 or 100 % sure."""
    percent = round(100.0 * probability)
    if percent < 1:
        return "under 1 % sure"
    return "over 99 % sure" if percent > 99 else f"{percent} % sure"
