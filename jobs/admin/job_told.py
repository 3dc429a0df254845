"""What the job page shows of reports and changes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.utils.safestring import SafeString

from contractor.trade.progress import ScheduleIndex
from jobs.admin.report import counts_words, photo_links, says_words
from jobs.models import Change, FieldReport, Job
from jobs.selectors.changes import job_changes
from jobs.selectors.earned import schedule_index
from jobs.selectors.reports import job_reports


@dataclass(frozen=True, slots=True)
class ReportRow:
    """A report in words, with its photos."""

    report: FieldReport
    says: str
    share: str
    counts: str
    photos: SafeString


@dataclass(frozen=True, slots=True)
class ToldOfJob:
    """A job's reports and its latest changes, newest first."""

    reports: list[ReportRow]
    changes: list[Change]
    index: str


def told_of(job: Job, *, now: datetime) -> ToldOfJob:
    """Return what was reported of a job and changed in it, and how it stands in time."""
    return ToldOfJob(
        index=index_words(schedule_index(job, now=now)),
        reports=[
            ReportRow(
                report=shown.report,
                says=says_words(shown.report),
                share="" if shown.report.share_done is None else f"{shown.report.share_done:.0%}",
                counts=counts_words(shown),
                photos=photo_links(shown.report),
            )
            for shown in job_reports(job)
        ],
        changes=list(job_changes(job)),
    )


def index_words(index: ScheduleIndex | None) -> str:
    """Return a job's earned schedule in words; nothing before its first planned day."""
    if index is None or index.performance_index is None:
        return ""
    behind = index.variance_periods
    side = "behind" if behind < 0 else "ahead of"
    return (
        f"earned schedule {index.earned_periods:.1f} of {index.planned_periods:g} days after "
        f"{index.actual_periods:g} days, {abs(behind):.1f} days {side} plan; "
        f"SPI(t) {index.performance_index:.2f}."
    )
