"""The page of a re-plan proposal: who moves, why, which promises change, what stays; one press."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone

from contractor.trade.errors import SpecError
from crews.models import Crew
from crews.selectors import NoFirm
from jobs import tasks
from jobs.admin.plan_report import MoveRow, report_of
from jobs.models import Booking, Plan, ReplanProposal, TaskRequest
from jobs.selectors.calls import calls_for
from jobs.selectors.slips import open_slips, slip_words
from jobs.services import planning, proposals, publishing, rain


@dataclass(frozen=True, slots=True)
class Moved:
    """A booking that moves, why it is where it is then, and the phase to pin."""

    row: MoveRow
    because: str
    phase_id: int | None


@admin.register(ReplanProposal)
class ReplanProposalAdmin(admin.ModelAdmin):
    """Proposals come from slips and rain days; the office accepts, edits or drops them."""

    list_display = ("made_at", "reason", "state", "plan", "decided_at", "decided_by", "drop_reason")
    list_filter = ("state",)
    list_select_related = ("plan", "decided_by")
    ordering = ("-id",)
    actions = None
    change_list_template = "admin/jobs/replanproposal/change_list.html"

    class Media:
        css = {"all": ("jobs/office.css",)}

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse proposals by hand."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse deletion: what was proposed and decided is a record."""
        return False

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, accepting, dropping, and the rain day."""
        view = self.admin_site.admin_view
        return [
            path("rain/", view(self.rain), name="jobs_replanproposal_rain"),
            path("<int:number>/accept/", view(self.accept), name="jobs_replanproposal_accept"),
            path("<int:number>/drop/", view(self.drop), name="jobs_replanproposal_drop"),
            *super().get_urls(),
        ]

    def get_queryset(self, request: HttpRequest) -> QuerySet[ReplanProposal]:
        """Return proposals with their plans."""
        return super().get_queryset(request).select_related("plan", "decided_by")

    def changelist_view(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Show the list, with the crews that a rain day may stop."""
        crews = Crew.objects.filter(is_active=True).order_by("name")
        context = {
            **(extra_context or {}),
            "may_decide": _may_decide(request),
            "crews": crews,
            "today": timezone.localdate(),
        }
        return super().changelist_view(request, context)

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Show what the proposal moves and what becomes of the promises."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        row = self.get_object(request, object_id)
        if row is None:
            raise Http404(f"No proposal {object_id}")
        plan = proposals.current_plan(row)
        report = report_of(plan, now=timezone.now())
        context = {
            **self.admin_site.each_context(request),
            "title": f"{row}: {row.get_state_display().lower()}",
            "opts": self.opts,
            "original": row,
            "plan": plan,
            "report": report,
            "moved": _moved(plan, report.moves, report.comparison.moved),
            "changed": [promise for promise in report.promises if promise.change],
            "calls": calls_for(plan=plan, published=report.against, now=timezone.now()),
            "slips": [slip_words(slip) for slip in open_slips()],
            "may_decide": _may_decide(request) and row.state == ReplanProposal.State.OPEN,
            "media": self.media,
        }
        return TemplateResponse(request, "admin/jobs/replanproposal/change_form.html", context)

    def accept(self, request: HttpRequest, number: int) -> HttpResponse:
        """Publish what the page showed."""
        _let_decide(request)
        shown = request.POST.get("plan", "")
        if request.method == "POST" and shown.isdigit():
            try:
                done = proposals.accept(
                    proposal_id=number, plan_id=int(shown), now=timezone.now(), by=request.user
                )
            except (proposals.AlreadyDecided, publishing.PublishRefused) as refusal:
                self.message_user(request, str(refusal), messages.ERROR)
            else:
                self.message_user(request, f"{done.plan} is published.", messages.SUCCESS)
                tasks.enqueue_task(kind=TaskRequest.Kind.ODDS, reason=f"{done.plan} is published")
        return redirect("admin:jobs_replanproposal_change", number)

    def drop(self, request: HttpRequest, number: int) -> HttpResponse:
        """Drop the proposal for the reason that was entered."""
        _let_decide(request)
        if request.method == "POST":
            reason = request.POST.get("reason", "")
            try:
                proposals.drop(
                    proposal_id=number, reason=reason, now=timezone.now(), by=request.user
                )
            except (proposals.AlreadyDecided, ValueError) as refusal:
                self.message_user(request, str(refusal), messages.ERROR)
            else:
                self.message_user(request, "Dropped. The published plan stays.", messages.SUCCESS)
        return redirect("admin:jobs_replanproposal_change", number)

    def rain(self, request: HttpRequest) -> HttpResponse:
        """Stop the chosen crews' gated work for today, and show what is proposed."""
        _let_decide(request)
        crews = [int(key) for key in request.POST.getlist("crew") if key.isdigit()]
        if request.method != "POST" or not crews:
            self.message_user(request, "Choose at least one crew.", messages.WARNING)
            return redirect("admin:jobs_replanproposal_changelist")
        now = timezone.now()
        try:
            row = rain.rain_day(day=timezone.localdate(now), crews=crews, now=now, by=request.user)
        except (SpecError, NoFirm, planning.TooFarAheadError) as fault:
            self.message_user(request, str(fault), messages.ERROR)
            return redirect("admin:jobs_replanproposal_changelist")
        return redirect("admin:jobs_replanproposal_change", row.pk)


def _may_decide(request: HttpRequest) -> bool:
    return request.user.has_perm("jobs.change_plan")


def _let_decide(request: HttpRequest) -> None:
    if not _may_decide(request):
        raise PermissionDenied


def _moved(plan: Plan, rows: list[MoveRow], moves: Any) -> list[Moved]:
    """Return the moves in words, each with the reason of its new start."""
    booked = {
        f"{row.phase.job.number} {row.phase.get_code_display()}": row
        for row in Booking.objects.filter(plan=plan).select_related("phase__job")
    }
    return [
        Moved(words, booked[move.key].because, booked[move.key].phase_id)
        for words, move in zip(rows, moves, strict=True)
    ]
