"""Verdicts on readiness as the page shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitord.model.jobs import JobFile
from monitord.model.readiness.criteria_files import CriteriaBook
from monitord.model.readiness.signoffs import SignOff
from monitord.model.readiness.verdict import Outcome, Readiness, Verdict
from monitord.text import readiness
from monitord.text.speaker import Speaker
from monitord.web.text.words import StatusStyle

STYLES = {
    Outcome.FAIL: StatusStyle("Fail", "act", "no", 0),
    Outcome.NOT_YET: StatusStyle("Not yet", "watch", "wait", 1),
    Outcome.CANNOT_SAY: StatusStyle("Can’t say", "none", "q", 2),
    Outcome.PASS: StatusStyle("Pass", "ok", "ok", 3),
}
VERDICT_STYLES = {
    Verdict.NOT_READY: StatusStyle("Not ready", "act", "no", 0),
    Verdict.CANNOT_SAY: StatusStyle("Can’t say", "none", "q", 1),
    Verdict.READY: StatusStyle("Ready", "ok", "ok", 2),
}


@dataclass(frozen=True)
class VerdictView:
    """One slab or element."""

    element: str
    label: str
    is_slab: bool
    style: StatusStyle
    headline: str
    tally: str
    covering: str
    not_before: str
    """By the forecast, where that is later than the clocks' date."""
    criteria: str
    rows: list[tuple[StatusStyle, readiness.CriterionRow]]
    confirm: bool
    is_ready: bool
    signoffs: list[SignOff]


def verdict_views(
    job: JobFile,
    verdicts: Sequence[Readiness],
    signoffs: Sequence[SignOff],
    criteria: CriteriaBook,
    speaker: Speaker,
) -> list[VerdictView]:
    """The slabs, then the other elements; in each, what is worst first."""
    ordered = sorted(verdicts, key=lambda v: (not v.is_slab, VERDICT_STYLES[v.verdict].rank))
    return [_view(job, verdict, signoffs, criteria, speaker) for verdict in ordered]


def _view(
    job: JobFile, verdict: Readiness, signoffs: Sequence[SignOff], criteria: CriteriaBook, speaker: Speaker
) -> VerdictView:
    slab = next((s for s in job.slabs if s.id == verdict.element), None)
    known = {location.id: location.label for location in job.locations}
    rules = criteria.get(verdict.criteria)
    edition = "" if rules is None or not rules.edition else f", {rules.edition}"
    return VerdictView(
        element=verdict.element,
        label=slab.label if slab is not None else known.get(verdict.element, verdict.element),
        is_slab=slab is not None,
        style=VERDICT_STYLES[verdict.verdict],
        headline=readiness.headline(speaker, verdict),
        tally=readiness.tally(speaker, verdict),
        covering=readiness.covering(speaker, slab, verdict),
        not_before=speaker.moment(verdict.not_before) or "",
        criteria=verdict.criteria if rules is None else f"{rules.name} ({rules.document}{edition})",
        rows=[(STYLES[row.outcome], row) for row in readiness.criterion_rows(speaker, verdict, job)],
        confirm=any(result.confirm for result in verdict.results),
        is_ready=verdict.verdict is Verdict.READY,
        signoffs=[made for made in signoffs if made.element == verdict.element],
    )
