"""From what is known of a job to its alerts: the one place where assessment and alert engine meet.

The live daemon (`run_due`) and the replay (`Judge`) go through the same `evaluate`, so that what replay shows of
the past is what the daemon would have said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from monitord.alerts.engine import StepResult, step
from monitord.alerts.rules import RuleBook
from monitord.analysis.assess import assess_job
from monitord.model.alerts import Alert
from monitord.model.analysis_options import AnalysisOptions
from monitord.model.assessments import JobAssessment
from monitord.model.jobs import JobFile
from monitord.model.series import JobRecord


def evaluate(
    job: JobFile,
    record: JobRecord,
    alerts: Sequence[Alert],
    rules: RuleBook,
    as_of: datetime,
    options: AnalysisOptions,
) -> tuple[JobAssessment, StepResult]:
    """Assess a job as of a time, and move its alerts on. Pure: the same arguments, the same result.

    Parameters
    ----------
    record : what is known of the job as of `as_of`.
    alerts : the latest episode of each of the job's alerts, in any order.
    """
    assessment = assess_job(job, record, as_of, options)
    return assessment, step(rules, alerts, assessment.findings, job.job, as_of)


class Judge:
    """One job's alerts in memory, moved on assessment by assessment: what replay has in place of the store."""

    def __init__(self, job: JobFile, rules: RuleBook, options: AnalysisOptions, alerts: Iterable[Alert] = ()) -> None:
        self._job = job
        self._rules = rules
        self._options = options
        self._alerts = {alert.fingerprint: alert for alert in alerts}

    def step(self, record: JobRecord, as_of: datetime) -> tuple[JobAssessment, list[Alert]]:
        """Assess as of a time; returns the assessment and the alerts that changed."""
        assessment, result = evaluate(self._job, record, list(self._alerts.values()), self._rules, as_of, self._options)
        self._alerts.update((alert.fingerprint, alert) for alert in result.alerts)
        return assessment, result.alerts
