"""Field reports: the list, one report, a new one by the office, and a correction."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join

from contractor.trade.causes import Cause
from jobs import tasks
from jobs.admin.back import back
from jobs.admin.ppc import ppc_context
from jobs.admin.words import short_day
from jobs.forms import ReportForm
from jobs.models import FieldReport, Phase
from jobs.selectors import reports as selector
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_reports

Kind = FieldReport.Kind


@admin.register(FieldReport)
class FieldReportAdmin(admin.ModelAdmin):
    """What was reported. Nothing here is ever changed; a correction is a report of its own."""

    list_display = (
        "made",
        "job",
        "phase_name",
        "crew",
        "told",
        "short_note",
        "correct_link",
    )
    list_display_links = ("made",)
    list_filter = ("kind", "stopped_by", "crew", "made_at")
    list_select_related = ("phase__job", "crew")
    list_per_page = 50
    search_fields = ("phase__job__number", "phase__job__buyer_name", "note")
    search_help_text = "Job number, buyer or note."
    ordering = ("-made_at", "-id")
    actions = None
    fields = (
        "job",
        "phase_name",
        "says",
        "crew",
        "made_at",
        "happened_at",
        "received_at",
        "by_name",
        "from_office",
        "share",
        "crew_hours",
        "people",
        "cause",
        "stopped_until",
        "note",
        "corrects_link",
        "counts",
        "photos",
        "correct_link",
    )
    readonly_fields = fields
    change_list_template = "admin/jobs/fieldreport/change_list.html"

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse the stock form: reports are entered on a page of their own."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse to change what was reported."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse to delete what was reported."""
        return False

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, entering, correcting, and percent plan complete."""
        view = self.admin_site.admin_view
        return [
            path("ppc/", view(self.ppc), name="jobs_fieldreport_ppc"),
            path("enter/<int:phase_id>/", view(self.enter), name="jobs_fieldreport_enter"),
            path("<uuid:report_id>/correct/", view(self.correct), name="jobs_fieldreport_correct"),
            *super().get_urls(),
        ]

    @admin.display(description="made", ordering="made_at")
    def made(self, report: FieldReport) -> str:
        """Return the day and time it was made."""
        return f"{short_day(report.made_at)}, {timezone.localtime(report.made_at):%H:%M}"

    @admin.display(description="job", ordering="phase__job__number")
    def job(self, report: FieldReport) -> str:
        """Return the job, as a link to its page."""
        job = report.phase.job
        address = reverse("admin:jobs_job_change", args=[job.pk])
        return format_html('<a href="{}#reports">{}</a>', address, job.number)

    @admin.display(description="phase")
    def phase_name(self, report: FieldReport) -> str:
        """Return the phase."""
        return report.phase.get_code_display()

    @admin.display(description="says", ordering="kind")
    def says(self, report: FieldReport) -> str:
        """Return what it says, in words."""
        return says_words(report)

    @admin.display(description="says", ordering="kind")
    def told(self, report: FieldReport) -> str:
        """Return what it says with its figures, in words."""
        figures = (
            self.cause(report).lower() if report.stopped_by else "",
            "" if report.share_done is None else self.share(report),
            "" if report.crew_hours is None else f"{report.crew_hours:g} h",
            "" if report.people is None else f"{report.people} people",
        )
        return ", ".join((says_words(report), *filter(None, figures)))

    @admin.display(description="share done")
    def share(self, report: FieldReport) -> str:
        """Return the share done in percent."""
        return "–" if report.share_done is None else f"{report.share_done:.0%}"

    @admin.display(description="stopped by")
    def cause(self, report: FieldReport) -> str:
        """Return the cause of a stop."""
        return Cause(report.stopped_by).label if report.stopped_by else "–"

    @admin.display(description="note")
    def short_note(self, report: FieldReport) -> str:
        """Return the beginning of the note."""
        return report.note if len(report.note) <= 60 else f"{report.note[:59]}…"

    @admin.display(description="corrects")
    def corrects_link(self, report: FieldReport) -> str:
        """Return the report that it corrects, as a link."""
        if report.corrects_id is None:
            return "–"
        named = FieldReport.objects.filter(pk=report.corrects_id).first()
        if named is None:
            return "a report that has not been received"
        address = reverse("admin:jobs_fieldreport_change", args=[named.pk])
        return format_html('<a href="{}">{}</a>', address, named)

    @admin.display(description="counts as")
    def counts(self, report: FieldReport) -> str:
        """Return whether and as what it counts now."""
        beside = FieldReport.objects.filter(phase=report.phase_id)
        (shown,) = selector.shown([report], beside)
        return counts_words(shown)

    @admin.display(description="photos")
    def photos(self, report: FieldReport) -> str:
        """Return the photos, each a link to itself."""
        return photo_links(report) or "–"

    @admin.display(description="")
    def correct_link(self, report: FieldReport) -> str:
        """Return the way to correct it."""
        if report.kind in (Kind.CORRECTION, Kind.OFFICE):
            return ""
        address = reverse("admin:jobs_fieldreport_correct", args=[report.pk])
        return format_html('<a href="{}">Correct</a>', address)

    def ppc(self, request: HttpRequest) -> HttpResponse:
        """Show percent plan complete by week and crew, and why promises were missed."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        context = self._context(request, "Percent plan complete")
        context |= ppc_context(request.GET, now=timezone.now())
        return TemplateResponse(request, "admin/jobs/fieldreport/ppc.html", context)

    def enter(self, request: HttpRequest, phase_id: int) -> HttpResponse:
        """Report for a crew that cannot, or say why a promise was missed."""
        phase = self._phases(request).filter(pk=phase_id).first()
        if phase is None:
            raise Http404(f"No phase {phase_id}")
        usual = {"kind": request.GET.get("kind", Kind.PROGRESS), "crew": phase.crew_id}
        usual |= _moment_asked(request)
        form = ReportForm(request.POST or None, initial=usual)
        if form.is_valid():
            report = NewReport(id=uuid4(), phase_id=phase.pk, **form.stated())
            if self._taken(request, form, report):
                job_page = reverse("admin:jobs_job_change", args=[phase.job_id])
                return back(request, f"{job_page}#reports")
        context = self._context(request, f"Report on {phase}")
        context |= {"form": form, "phase": phase, "wrong": None}
        return TemplateResponse(request, "admin/jobs/fieldreport/enter.html", context)

    def correct(self, request: HttpRequest, report_id: UUID) -> HttpResponse:
        """Correct a report by another that takes its place; the first one is kept."""
        self._may_report(request)
        wrong = selector.reports(selector.OFFICE).filter(pk=report_id).first()
        if wrong is None or wrong.kind in (Kind.CORRECTION, Kind.OFFICE):
            raise Http404(f"No report {report_id} that could be corrected")
        form = ReportForm(request.POST or None, initial=_as_stated(wrong), is_correction=True)
        if form.is_valid():
            stated = form.stated()
            report = NewReport(
                id=uuid4(),
                phase_id=wrong.phase_id,
                **{**stated, "kind": Kind.CORRECTION, "corrected_kind": stated["kind"]},
                corrects_id=wrong.pk,
            )
            if self._taken(request, form, report):
                return redirect("admin:jobs_fieldreport_change", wrong.pk)
        context = self._context(request, f"Correct: {says_words(wrong)}, {wrong.phase}")
        context |= {"form": form, "phase": wrong.phase, "wrong": wrong}
        return TemplateResponse(request, "admin/jobs/fieldreport/enter.html", context)

    def _taken(self, request: HttpRequest, form: ReportForm, report: NewReport) -> bool:
        """Return whether the service took the report; else its faults are shown at the fields."""
        who = selector.reporter(request.user)
        taken = take_reports(reports=[report], who=who, now=timezone.now())
        (answer,) = taken.answers
        if answer.faults:
            form.show(answer.faults)
            return False
        if taken.plan_request:
            tasks.enqueue_repair(plan_request_id=taken.plan_request.pk)
            self.message_user(
                request, "It is kept, and a new draft is on its way.", messages.SUCCESS
            )
        else:
            self.message_user(request, "It is kept.", messages.SUCCESS)
        return True

    def _phases(self, request: HttpRequest) -> QuerySet[Phase]:
        self._may_report(request)
        return Phase.objects.exclude(status=Phase.Status.DROPPED).select_related("job", "crew")

    def _may_report(self, request: HttpRequest) -> None:
        if not request.user.has_perm("jobs.add_fieldreport"):
            raise PermissionDenied

    def _context(self, request: HttpRequest, title: str) -> dict[str, Any]:
        return {
            **self.admin_site.each_context(request),
            "title": title,
            "opts": self.opts,
            "media": self.media,
        }


def says_words(report: FieldReport) -> str:
    """Return what a report says in words, a correction with what it should have been."""
    words = str(report.get_kind_display())
    if report.kind == Kind.CORRECTION:
        words += f": {report.get_corrected_kind_display().lower()}"
    if report.kind == Kind.OFFICE:
        words += f": {report.get_set_status_display().lower()}"
    return words


def counts_words(shown: selector.ShownReport) -> str:
    """Return whether and as what a report counts."""
    report, counts = shown.report, shown.counts
    if report.kind == Kind.CORRECTION:
        return "it stands in the place of what it corrects"
    if counts is None:
        return "taken back"
    if counts != selector.told(report):
        return f"corrected: {counts.kind.label.lower()}"
    return "as it is"


def photo_links(report: FieldReport) -> str:
    """Return small pictures that lead to the photos; nothing where there are none."""
    return format_html_join(
        " ",
        '<a href="{0}"><img src="{0}" alt="Photo {1} of this report" width="120" '
        'loading="lazy"></a>',
        (
            (reverse("api:report-photo", args=[photo.pk]), number)
            for number, photo in enumerate(report.photos.all(), start=1)
        ),
    )


def _as_stated(report: FieldReport) -> dict[str, Any]:
    names = ("kind", "share_done", "crew_hours", "people", "stopped_by", "stopped_until", "note")
    stated = {name: getattr(report, name) for name in names}
    return {**stated, "crew": report.crew_id, "happened_at": report.happened_at or report.made_at}


def _moment_asked(request: HttpRequest) -> dict[str, Any]:
    """Return the moment that a link asks for; nothing if it is none."""
    try:
        moment = datetime.fromisoformat(request.GET.get("happened_at", ""))
    except ValueError:
        return {}
    return {"happened_at": moment}
