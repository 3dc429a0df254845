"""What is read of field reports: who may report for whom, and which reports count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Prefetch, Q

from contractor import roles
from contractor.trade.progress import Kind, Status, Told, in_effect
from crews.models import Crew
from jobs.models import Booking, FieldReport, Phase, ReportPhoto

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.contrib.auth.models import AnonymousUser, User
    from django.db.models import QuerySet

    from jobs.models import Job


@dataclass(frozen=True, slots=True)
class Reporter:
    """
    Someone who reports or reads reports: the crews they lead, and whether for all.

    `person_name` is how someone is called who has no sign-in, or reports from a phone of a name.
    """

    user: User | None
    crews: frozenset[int] = frozenset()
    is_office: bool = False
    is_owner: bool = False
    person_name: str = ""

    @property
    def reads_all(self) -> bool:
        """Return whether they read every crew's reports."""
        return self.is_office or self.is_owner

    @property
    def name(self) -> str:
        """Return how people call them."""
        if self.person_name or self.user is None:
            return self.person_name
        return self.user.get_full_name() or self.user.get_username()


OFFICE = Reporter(None, is_office=True)
"""The office's own programs, such as loading files."""


def reporter(user: User | AnonymousUser) -> Reporter:
    """Return what a signed-in person may report and read, in two queries."""
    if not user.is_authenticated or not user.is_active:
        return Reporter(None)
    groups = set(user.groups.values_list("name", flat=True))
    crews = frozenset(Crew.objects.filter(lead=user).values_list("pk", flat=True))
    return Reporter(
        user,
        crews if roles.CREW_LEAD in groups else frozenset(),
        is_office=user.is_superuser or roles.OFFICE in groups,
        is_owner=roles.OWNER in groups,
    )


def may_report(who: Reporter, phase: Phase) -> bool:
    """
    Return whether the phase is, or was published as, work of a crew that they lead.

    No other crew's reports can change the answer, so reports may come in any order.
    """
    if who.is_office:
        return True
    if not who.crews:
        return False
    if {phase.crew_id, phase.pinned_crew_id} & who.crews:
        return True
    told = Booking.objects.filter(phase=phase, crew__in=who.crews)
    return told.exclude(plan__published_at=None).exists()


def reports(who: Reporter) -> QuerySet[FieldReport]:
    """Return the reports that someone may read, newest first, with all that is shown of them."""
    rows = FieldReport.objects.select_related("phase__job", "crew", "by").prefetch_related(
        Prefetch("photos", ReportPhoto.objects.order_by("id"))
    )
    if not who.reads_all:
        rows = rows.filter(crew__in=who.crews)
    return rows.order_by("-made_at", "-pk")


def told(report: FieldReport) -> Told:
    """Return a stored report as progress reads it."""
    return Told(
        id=str(report.pk),
        kind=Kind(report.kind),
        made_at=report.made_at,
        happened_at=report.happened_at,
        crew=report.crew_id,
        share_done=report.share_done,
        crew_hours=report.crew_hours,
        stopped_by=report.stopped_by,
        stopped_until=report.stopped_until,
        corrects=None if report.corrects_id is None else str(report.corrects_id),
        corrected_kind=Kind(report.corrected_kind) if report.corrected_kind else None,
        from_office=report.from_office,
        status=Status(report.set_status) if report.set_status else None,
        started_at=report.set_started_at,
        done_at=report.set_done_at,
    )


@dataclass(frozen=True, slots=True)
class ShownReport:
    """A report with what became of it: how it counts, or that it does not."""

    report: FieldReport
    counts: Told | None


def job_reports(job: Job) -> list[ShownReport]:
    """Return a job's reports, newest first, in a constant number of queries."""
    rows = list(reports(OFFICE).filter(phase__job=job))
    return shown(rows, rows)


def shown(rows: Iterable[FieldReport], of_phases: Iterable[FieldReport]) -> list[ShownReport]:
    """Return `rows` as they count among all the reports of their phases."""
    by_phase: dict[int, list[Told]] = {}
    for report in of_phases:
        by_phase.setdefault(report.phase_id, []).append(told(report))
    counts = {kept.id: kept for reports in by_phase.values() for kept in in_effect(reports)}
    return [ShownReport(report, counts.get(str(report.pk))) for report in rows]


def report_filter(
    *, job: str = "", phase: str = "", crew: str = "", kind: str = "", cause: str = ""
) -> Q:
    """Return the condition for reports of a job, phase, crew, kind and cause, those given."""
    given = {
        "phase__job__number": job,
        "phase__code": phase,
        "crew__name": crew,
        "kind": kind,
        "stopped_by": cause,
    }
    return Q(**{name: value for name, value in given.items() if value})
