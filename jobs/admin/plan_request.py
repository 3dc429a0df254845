"""Requests for plans: how far each is, what went wrong, and trying again."""

from __future__ import annotations

from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join

from jobs import tasks
from jobs.admin.plan_report import PARTS, parts_of
from jobs.models import PlanRequest
from jobs.services import planning

UNFINISHED = (PlanRequest.Status.QUEUED, PlanRequest.Status.RUNNING)


@admin.register(PlanRequest)
class PlanRequestAdmin(admin.ModelAdmin):
    """A request's page and the list reload by themselves while a plan is being made."""

    list_display = (
        "requested_at",
        "reason",
        "status",
        "progress",
        "took",
        "result",
        "error",
    )
    list_filter = ("status",)
    list_select_related = ("plan", "base", "requested_by")
    ordering = ("-id",)
    actions = ("try_again", "cancel_these")
    change_form_template = "admin/jobs/planrequest/change_form.html"
    fields = (
        "status",
        "progress",
        "result",
        "draft_so_far",
        "gained",
        "error",
        "reason",
        "requested_by",
        "requested_at",
        "took",
        "budget_seconds",
    )
    readonly_fields = fields

    class Media:
        css = {"all": ("jobs/office.css",)}
        js = ("jobs/follow.js",)

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse typing one: the button "Ask for a new plan" makes it."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse changes by hand."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse deletion: a request is the record of who asked."""
        return False

    def has_try_again_permission(self, request: HttpRequest) -> bool:
        """Return whether this person may ask for plans."""
        return request.user.has_perm("jobs.change_plan")

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses and the one that cancels."""
        cancel = path(
            "<int:plan_request_id>/cancel/",
            self.admin_site.admin_view(self.cancel),
            name="jobs_planrequest_cancel",
        )
        return [cancel, *super().get_urls()]

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Show how far the request is, with a button to cancel it while it can be."""
        wanted = self.get_object(request, object_id)
        may_cancel = (
            wanted is not None
            and wanted.status in UNFINISHED
            and wanted.cancel_asked_at is None
            and self.has_try_again_permission(request)
        )
        context = {**(extra_context or {}), "may_cancel": may_cancel}
        return super().change_view(request, object_id, form_url, context)

    def cancel(self, request: HttpRequest, plan_request_id: int) -> HttpResponse:
        """Cancel one request, and go back to its page."""
        if not self.has_try_again_permission(request):
            raise PermissionDenied
        if not PlanRequest.objects.filter(pk=plan_request_id).exists():
            raise Http404(f"No plan request {plan_request_id}")
        if request.method == "POST":
            self._cancel(request, [plan_request_id])
        return redirect("admin:jobs_planrequest_change", plan_request_id)

    def _cancel(self, request: HttpRequest, numbers: list[int]) -> None:
        ended = [pk for pk in numbers if planning.cancel(plan_request_id=pk, now=timezone.now())]
        if ended:
            self.message_user(request, "Cancelled. The draft stays as it is.", messages.SUCCESS)
        else:
            self.message_user(request, "There is nothing left to cancel.", messages.WARNING)

    @admin.display(description="progress")
    def progress(self, wanted: PlanRequest) -> str:
        """Return a bar and its text; the mark tells the page to follow it."""
        percent = wanted.progress_percent
        words = wanted.progress_text or wanted.get_status_display()
        mark = "yes" if wanted.status in UNFINISHED else "no"
        return format_html(
            '<progress class="progress" data-unfinished="{}" max="100" value="{}" '
            'aria-label="Progress"></progress> {} %, {}',
            mark,
            percent,
            percent,
            words,
        )

    @admin.display(description="took")
    def took(self, wanted: PlanRequest) -> str:
        """Return how long it took from asking to the draft."""
        if wanted.finished_at is None:
            return "–"
        return f"{(wanted.finished_at - wanted.requested_at).total_seconds():.1f} s"

    @admin.display(description="result")
    def result(self, wanted: PlanRequest) -> str:
        """Return a link to the draft."""
        if wanted.plan is None:
            return "–"
        return format_html(
            '<a href="{}">{}, {}</a>',
            reverse("admin:jobs_plan_change", args=[wanted.plan.pk]),
            wanted.plan,
            wanted.plan.get_status_display().lower(),
        )

    @admin.display(description="draft so far")
    def draft_so_far(self, wanted: PlanRequest) -> str:
        """Return a link to the draft that a better one is looked for."""
        if wanted.base is None:
            return "–"
        address = reverse("admin:jobs_plan_change", args=[wanted.base.pk])
        return format_html('<a href="{}">{}</a>', address, wanted.base)

    @admin.display(description="cost and gain")
    def gained(self, wanted: PlanRequest) -> str:
        """Return what improving gained, against a draft by part; while it is going on, in all."""
        base, found = wanted.base, wanted.plan
        if found is None:
            return _so_far(wanted)
        if base is None:
            return "–" if found.gained is None else f"{found.gained:,.1f} over the first plan"
        if found == base:
            return "nothing"
        if found.state != base.state:
            return "– (the work has changed since that draft)"
        before, after = parts_of(base), parts_of(found)
        changed = [
            (PARTS[name], before[name], after[name])
            for name in before
            if before[name] != after.get(name, before[name])
        ]
        return format_html_join("", "<div>{}: {} → {}</div>", changed)

    @admin.action(description="Cancel", permissions=["try_again"])
    def cancel_these(self, request: HttpRequest, queryset: QuerySet[PlanRequest]) -> None:
        """Cancel requests that are not answered yet."""
        self._cancel(request, list(queryset.order_by("id").values_list("pk", flat=True)))

    @admin.action(description="Try again", permissions=["try_again"])
    def try_again(self, request: HttpRequest, queryset: QuerySet[PlanRequest]) -> None:
        """Queue failed or cancelled requests again."""
        again = [
            pk
            for pk in queryset.order_by("id").values_list("pk", flat=True)
            if planning.retry(plan_request_id=pk, now=timezone.now())
        ]
        for pk in again:
            tasks.enqueue_plan(plan_request_id=pk)
        if again:
            self.message_user(request, "Trying again.", messages.SUCCESS)
        else:
            self.message_user(
                request,
                "None of these has failed or was cancelled; only such can be tried again.",
                messages.WARNING,
            )


def _so_far(wanted: PlanRequest) -> str:
    """Return what the best plan found so far costs, beside the draft it is to improve on."""
    totals = [] if wanted.base is None else [wanted.base.objective.get("total", 0.0)]
    best = totals if wanted.best_total is None else [*totals, wanted.best_total]
    if not best:
        return "–"
    before = f"cost {totals[0]:,.1f}, " if totals else ""
    return f"{before}best so far {min(best):,.1f}"
