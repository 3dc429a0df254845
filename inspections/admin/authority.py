"""The office's page of authorities."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import Count, Q, QuerySet
from django.http import HttpRequest

from contractor.trade.notice import AskedWhen
from inspections.models import Authority, AuthorityClosure
from jobs.models import Job


class AuthorityClosureInline(admin.TabularInline):
    """Days on which the authority makes no inspections."""

    model = AuthorityClosure
    extra = 0
    ordering = ("first_day", "id")


@admin.register(Authority)
class AuthorityAdmin(admin.ModelAdmin):
    """Who inspects, by which rules, and how many open jobs stand under each."""

    list_display = ("name", "county", "state", "rules", "inspects", "open_permits", "phone")
    list_filter = ("state", "asked_when")
    search_fields = ("name", "county")
    ordering = ("name",)
    inlines = (AuthorityClosureInline,)
    fieldsets = (
        (None, {"fields": ("name", ("county", "state"), "phone")}),
        (
            "Inspections",
            {"fields": (("inspects_holes", "inspects_slab", "inspects_frame", "inspects_final"),)},
        ),
        (
            "Requests and visits",
            {
                "description": "As the authority tells them; its word comes first.",
                "fields": (
                    ("asked_when", "request_cutoff", "notice_working_days"),
                    ("weekdays", "visit_windows"),
                ),
            },
        ),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[Authority]:
        """Return the authorities with the number of their open jobs."""
        is_open = Q(permits__job__status__in=(Job.Status.SIGNED, Job.Status.ON_HOLD))
        return super().get_queryset(request).annotate(open_permits=Count("permits", is_open))

    @admin.display(description="rules")
    def rules(self, authority: Authority) -> str:
        """Return when to ask and when they come, in words."""
        when = AskedWhen(authority.asked_when).label
        days = authority.notice_working_days
        notice = "the same day" if days == 0 else f"{days} working day{'' if days == 1 else 's'}"
        return (
            f"{when}; by {authority.request_cutoff:%H:%M}; notice {notice}; "
            f"{authority.weekdays}, {authority.visit_windows}"
        )

    @admin.display(description="inspects")
    def inspects(self, authority: Authority) -> str:
        """Return which inspections they make."""
        wanted = {
            "holes": authority.inspects_holes,
            "slab": authority.inspects_slab,
            "frame": authority.inspects_frame,
            "final": authority.inspects_final,
        }
        return ", ".join(name for name, made in wanted.items() if made) or "nothing"

    @admin.display(description="open jobs", ordering="open_permits")
    def open_permits(self, authority: Any) -> int:
        """Return how many open jobs stand under this authority."""
        return int(authority.open_permits)
