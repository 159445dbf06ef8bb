"""Findings inside stored alerts carry facts instead of sentences, and yes/no findings a truth instead of a number.

Sentences that were written by an older program are left out: they are made anew from the facts of the next finding.
The way back gives a yes/no finding its number again; sentences and facts of the newer program are left out.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_YES_NO = frozenset(
    {
        "drying_stalled",
        "rewetting",
        "goal_unreachable",
        "drive_lost",
        "goal_reached",
        "equilibrated",
        "probe_fault",
        "unplaced_probe",
    }
)
_SENTENCES = ("summary", "why", "look_first")
_ADDED = ("opening", "worst", "ending", "ended_by")
_STILL_SPEAKS = 0.6
"""The number by which an older program said that a faulty probe's other readings still count."""

_alert = sa.table("alert", sa.column("fingerprint"), sa.column("episode"), sa.column("document"))
_forecast = sa.table("forecast", sa.column("job"), sa.column("location"), sa.column("made_ms"), sa.column("document"))


def upgrade() -> None:
    """Sentences out, truths in."""
    _rewrite(_alert, ("fingerprint", "episode"), _alert_with_facts)
    _rewrite(_forecast, ("job", "location", "made_ms"), _without_reason)


def downgrade() -> None:
    """Truths out, numbers in."""
    _rewrite(_alert, ("fingerprint", "episode"), _alert_with_number)
    _rewrite(_forecast, ("job", "location", "made_ms"), _with_reason)


def _rewrite(table: sa.TableClause, key: tuple[str, ...], change: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    connection = op.get_bind()
    rows = connection.execute(sa.select(*(table.c[name] for name in key), table.c.document)).all()
    for *values, document in rows:
        this_row = sa.and_(*(table.c[name] == value for name, value in zip(key, values, strict=True)))
        changed = json.dumps(change(json.loads(document)), ensure_ascii=False, separators=(",", ":"))
        connection.execute(sa.update(table).where(this_row).values(document=changed))


def _alert_with_facts(document: dict[str, Any]) -> dict[str, Any]:
    finding = dict(document["finding"])
    for name in (*_SENTENCES, "confidence"):
        finding.pop(name, None)
    if finding["kind"] in _YES_NO:
        value = finding.pop("value", None)
        finding["truth"] = "unknown" if value is None else "true" if value >= 0.5 else "false"
        finding["unit"] = ""
        if finding["kind"] == "probe_fault" and value:
            finding["facts"] = {"excluded": value > _STILL_SPEAKS}
    opened = document.get("opened_at") is not None
    return document | {"finding": finding} | ({"opening": finding, "worst": finding} if opened else {})


def _alert_with_number(document: dict[str, Any]) -> dict[str, Any]:
    kept = {name: value for name, value in document.items() if name not in _ADDED}
    finding = dict(kept["finding"])
    truth, facts = finding.pop("truth", None), finding.pop("facts", {})
    if truth is not None:
        excluded = facts.get("excluded") is not False
        finding["value"] = {"true": 1.0 if excluded else _STILL_SPEAKS, "false": 0.0, "unknown": None}[truth]
        finding["unit"] = "confidence"
    return kept | {"finding": finding}


def _without_reason(document: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in document.items() if name != "reason"}


def _with_reason(document: dict[str, Any]) -> dict[str, Any]:
    return document | {"reason": ""}
