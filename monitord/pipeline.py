"""From what is known of a job to its assessment and the changes of its alerts: one pure step, live and in replay."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from monitord.alerts.engine import step
from monitord.alerts.rules import RuleBook
from monitord.alerts.transitions import StepResult
from monitord.analysis.assess import Memo, assess_job
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
    options: AnalysisOptions,
    as_of: datetime,
    memo: Memo | None = None,
) -> tuple[JobAssessment, StepResult]:
    """Assess a job as of a time and move its alerts on.

    `memo` only saves work between calls for the same job: with or without it the result is the same.
    """
    assessment = assess_job(job, record, as_of, options, memo)
    return assessment, step(rules, alerts, assessment.findings, job.job, as_of)


class Judge:
    """Evaluates one job again and again, keeping its alerts in memory: what replay uses."""

    def __init__(self, job: JobFile, rules: RuleBook, options: AnalysisOptions) -> None:
        self._job = job
        self._rules = rules
        self._options = options
        self._alerts: dict[str, Alert] = {}
        self._memo = Memo()

    def step(self, record: JobRecord, as_of: datetime) -> tuple[JobAssessment, list[Alert]]:
        """The assessment as of a time, and the alerts that changed."""
        assessment, result = evaluate(
            self._job, record, list(self._alerts.values()), self._rules, self._options, as_of, self._memo
        )
        for alert in result.alerts:
            self._alerts[alert.fingerprint] = alert
        return assessment, result.alerts
