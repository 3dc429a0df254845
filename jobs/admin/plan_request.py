"""Requests for plans: how far each is, what went wrong, and trying again."""

from __future__ import annotations

from typing import Any

from django.contrib import admin, messages
from django.db.models import QuerySet
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html

from jobs import tasks
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
    list_select_related = ("plan", "requested_by")
    ordering = ("-id",)
    actions = ("try_again",)
    fields = (
        "status",
        "progress",
        "result",
        "error",
        "reason",
        "requested_by",
        "requested_at",
        "took",
        "budget_seconds",
    )
    readonly_fields = fields

    class Media:
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

    @admin.action(description="Try again", permissions=["try_again"])
    def try_again(self, request: HttpRequest, queryset: QuerySet[PlanRequest]) -> None:
        """Queue failed requests again."""
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
                "None of these has failed; only a failed one can be tried again.",
                messages.WARNING,
            )
