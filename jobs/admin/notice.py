"""What people are told, and work in the background: what waits, what failed, trying again."""

from __future__ import annotations

from typing import Any

from django.contrib import admin, messages
from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils import timezone

from jobs import tasks
from jobs.models import Notice, TaskRequest
from jobs.services import notices, task_requests


class ReadOnly(admin.ModelAdmin):
    """Rows that services write: people look, and try again what has failed."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse rows by hand."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse changes by hand."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse deletion: a row is the record of what was told or done."""
        return False

    def has_try_again_permission(self, request: HttpRequest) -> bool:
        """Return whether this person may let things run again."""
        return request.user.has_perm("jobs.change_plan")


@admin.register(Notice)
class NoticeAdmin(ReadOnly):
    """The outbox."""

    list_display = ("made_at", "name", "subject", "kind", "state", "next_try_at", "tries", "error")
    list_filter = ("state", "kind")
    search_fields = ("name", "email", "subject")
    ordering = ("-id",)
    actions = ("try_again",)
    fields = (
        ("name", "email"),
        ("kind", "state"),
        "subject",
        "body",
        ("made_at", "next_try_at", "sent_at"),
        ("tries", "error"),
        "message_id",
    )

    @admin.action(description="Try again", permissions=["try_again"])
    def try_again(self, request: HttpRequest, queryset: QuerySet[Notice]) -> None:
        """Let parked notices be sent again, to the address that is entered now."""
        again = [
            pk
            for pk in queryset.values_list("pk", flat=True)
            if notices.retry(notice_id=pk, now=timezone.now())
        ]
        if again:
            self.message_user(request, f"{len(again)} will be sent again.", messages.SUCCESS)
        else:
            self.message_user(
                request,
                "None of these is parked and has an address. Enter the address first.",
                messages.WARNING,
            )


@admin.register(TaskRequest)
class TaskRequestAdmin(ReadOnly):
    """Work in the background; the list reloads by itself while something runs."""

    list_display = ("requested_at", "kind", "reason", "status", "progress", "tries", "error")
    list_filter = ("status", "kind")
    ordering = ("-id",)
    actions = ("try_again",)

    class Media:
        css = {"all": ("jobs/office.css",)}

    @admin.display(description="progress")
    def progress(self, wanted: TaskRequest) -> str:
        """Return how far it is, in words too."""
        return f"{wanted.progress_percent} % {wanted.progress_text}".strip()

    @admin.action(description="Try again", permissions=["try_again"])
    def try_again(self, request: HttpRequest, queryset: QuerySet[TaskRequest]) -> None:
        """Queue parked tasks again."""
        again = [
            pk
            for pk in queryset.values_list("pk", flat=True)
            if task_requests.retry(task_request_id=pk, now=timezone.now())
        ]
        for pk in again:
            tasks.send_again(task_request_id=pk)
        if again:
            self.message_user(request, f"{len(again)} will be tried again.", messages.SUCCESS)
        else:
            self.message_user(request, "None of these is parked.", messages.WARNING)
