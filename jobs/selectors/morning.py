"""What the office looks at in the morning, from every domain that has something to tell."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from inspections.selectors.locate import ticket_warnings
from jobs.models import Booking, Notice, Phase, TaskRequest
from jobs.selectors.call_ahead import call_ahead
from jobs.selectors.hold_facts import HoldKind
from jobs.selectors.holds import holds, signed_jobs
from jobs.selectors.morning_desk import missing_reports
from jobs.selectors.slips import open_slips, slip_words
from jobs.selectors.supplier_calls import supplier_calls

if TYPE_CHECKING:
    from collections.abc import Iterator

    from jobs.selectors.holds import ShownHold
    from jobs.selectors.morning_desk import MissingReport

# An inspection hold is told once its work is so near; our own.
FLAG_AHEAD = timedelta(days=7)
FLAGGED = frozenset({HoldKind.INSPECTION, HoldKind.LOCATE, HoldKind.POSITIVE_RESPONSE})


@dataclass(frozen=True, slots=True)
class Part:
    """A heading of the morning sheet with its lines."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Flag:
    """A hold that nears the work it holds; `key` names it, so that it is told once."""

    key: str
    subject: str
    words: str
    begins_at: datetime


def sheet_parts(*, now: datetime) -> list[Part]:
    """Return the parts of the morning sheet; the number of queries does not grow with the rows."""
    jobs = list(signed_jobs())
    shown = [row for row in holds(now=now, jobs=jobs) if row.fact.is_open]
    called = call_ahead(now=now, jobs=jobs)
    return [
        Part("Slips", tuple(slip_words(slip) for slip in open_slips())),
        Part(
            "Reports missing since yesterday",
            tuple(_missing(row) for row in missing_reports(now=now)),
        ),
        Part(
            "Inspections to ask for or wait for",
            tuple(_hold(row) for row in shown if row.fact.kind is HoldKind.INSPECTION),
        ),
        Part(
            "Locate tickets",
            tuple(
                f"Job {row.job.number}: {row.words}" for row in ticket_warnings(now=now, jobs=jobs)
            ),
        ),
        Part(
            "Deliveries to confirm",
            tuple(
                _delivery(line.delivery, line.why)
                for call in supplier_calls(called.to_confirm, today=timezone.localdate(now)).calls
                for line in call.lines
            ),
        ),
        Part(
            "Material to order",
            tuple(_delivery(line.delivery, line.why) for line in called.to_order),
        ),
        Part(
            "Other holds",
            tuple(
                _hold(row)
                for row in shown
                if row.fact.kind not in (HoldKind.INSPECTION, HoldKind.LOCATE, HoldKind.DELIVERY)
            ),
        ),
        Part("Not sent or not done", tuple(_parked())),
    ]


def holds_to_flag(*, now: datetime) -> list[Flag]:
    """Return the inspection and locate holds whose work is published to begin within a week."""
    shown = holds(now=now, kinds=FLAGGED)
    booked = Booking.objects.filter(is_live=True, starts_at__lt=now + FLAG_AHEAD)
    # Of a phase in parts the first that is left: it is what a hold keeps.
    booked = booked.exclude(phase__status=Phase.Status.DONE).order_by("-starts_at", "id")
    starts = {
        (job, code): start
        for job, code, start in booked.values_list("phase__job", "phase__code", "starts_at")
    }
    return [
        _flag(row, starts[(row.fact.job_id, row.fact.phase_code)])
        for row in shown
        if (row.fact.job_id, row.fact.phase_code) in starts
    ]


def _flag(row: ShownHold, begins_at: datetime) -> Flag:
    fact = row.fact
    day = timezone.localtime(begins_at)
    return Flag(
        key=f"{fact.kind}:{fact.job_id}:{fact.phase_code}:{day:%Y-%m-%d}",
        subject=f"{fact.kind.label} holds {row.phase_label.lower()} of job {row.job.number}",
        words=f"{_hold(row)} The work is planned for {day:%a %b %-d}.",
        begins_at=begins_at,
    )


def _hold(row: ShownHold) -> str:
    return (
        f"Job {row.job.number}, {row.phase_label.lower()} waits for "
        f"{row.fact.kind.label.lower()}: {row.fact.what} ({row.who})."
    )


def _missing(row: MissingReport) -> str:
    phase = row.phase
    return f"{row.booking.crew}, job {phase.job.number}: {phase.get_code_display()} {row.words}."


def _delivery(delivery: object, why: str) -> str:
    return f"{delivery}: {why}"


def _parked() -> Iterator[str]:
    notices = Notice.objects.filter(state=Notice.State.PARKED).count()
    if notices:
        yield f"{notices} messages could not be sent. See Notices."
    tasks = TaskRequest.objects.filter(status=TaskRequest.Status.PARKED).count()
    if tasks:
        yield f"{tasks} tasks have failed for good. See Tasks."
