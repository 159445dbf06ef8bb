"""Every message of the catalogue: what a translation has to cover."""

from __future__ import annotations

from monitord.text import (
    alert_texts,
    alerts,
    comparisons,
    damage,
    faults,
    formats,
    glossary,
    labels,
    readiness,
    report,
    states,
    terms,
    times,
)

MODULES = (
    alert_texts,
    alerts,
    comparisons,
    damage,
    faults,
    formats,
    glossary,
    labels,
    readiness,
    report,
    states,
    terms,
    times,
)


def every_message() -> tuple[str, ...]:
    """The messages in the order of the modules, each once; the keys of the translations."""
    return tuple(dict.fromkeys(message for module in MODULES for message in module.MESSAGES))
