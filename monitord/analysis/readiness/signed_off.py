"""Re-wetting of what was signed off as ready: the same finding, and it says so."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitord.model.assessments import Finding
from monitord.model.facts import FindingKind
from monitord.model.readiness.signoffs import SignOff, Statement


def after_sign_off(findings: Iterable[Finding], signoffs: Sequence[SignOff]) -> list[Finding]:
    """The findings, those of re-wetting marked where the location's element stands signed off as ready since before."""
    return [_marked(finding, signoffs) for finding in findings]


def _marked(finding: Finding, signoffs: Sequence[SignOff]) -> Finding:
    if finding.kind is not FindingKind.REWETTING or not finding.holds:
        return finding
    since = finding.since or finding.measured_at
    for made in signoffs:
        stands = made.stands and made.statement is Statement.READY and made.as_of <= max(since, finding.measured_at)
        if stands and finding.location in made.verdict.locations:
            facts = finding.facts.model_copy(update={"signed_off_at": made.as_of, "signed_off_by": made.by})
            return finding.model_copy(update={"facts": facts})
    return finding
