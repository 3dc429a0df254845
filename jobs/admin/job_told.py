"""What the job page shows of reports and changes."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.safestring import SafeString

from jobs.admin.report import counts_words, photo_links, says_words
from jobs.models import Change, FieldReport, Job
from jobs.selectors.changes import job_changes
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


def told_of(job: Job) -> ToldOfJob:
    """Return what was reported of a job and changed in it."""
    return ToldOfJob(
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
