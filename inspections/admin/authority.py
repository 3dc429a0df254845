"""The office's page of authorities."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import Count, Q, QuerySet
from django.http import HttpRequest

from contractor.trade.notice import AskedWhen
from inspections.models import Authority, AuthorityClosure, InspectionRule
from inspections.selectors.authority import notice_words, request_words
from jobs.admin.recording import RecordsChanges
from jobs.forms import NamedErrors
from jobs.models import Job


class AuthorityClosureInline(admin.TabularInline):
    """Days on which the authority makes no inspections."""

    model = AuthorityClosure
    form = NamedErrors
    extra = 0
    ordering = ("first_day", "id")


class InspectionRuleInline(admin.TabularInline):
    """For which buildings it makes an inspection, and what the frame's holds."""

    model = InspectionRule
    form = NamedErrors
    extra = 0
    ordering = ("inspection", "minimum_area_sf", "id")
    verbose_name_plural = "inspection rules: without one, an inspection is made of every building"


@admin.register(Authority)
class AuthorityAdmin(RecordsChanges):
    """Who inspects, by which rules, and how many open jobs stand under each."""

    list_display = ("name", "county", "state", "rules", "inspects", "open_permits", "phone")
    list_filter = ("state", "asked_when")
    search_fields = ("name", "county")
    ordering = ("name",)
    inlines = (InspectionRuleInline, AuthorityClosureInline)
    fieldsets = (
        (
            None,
            {"fields": ("name", ("county", "state"), "phone", ("request_way", "request_to"))},
        ),
        (
            "Inspections",
            {"fields": (("inspects_holes", "inspects_slab", "inspects_frame", "inspects_final"),)},
        ),
        (
            "Requests and visits",
            {
                "description": "As the authority tells them; its word comes first.",
                "fields": (
                    ("asked_when", "request_cutoff"),
                    ("notice_working_days", "notice_hours"),
                    ("weekdays", "visit_windows"),
                    ("takes_wishes", "visits_per_day"),
                ),
            },
        ),
        (
            "Fees and permits",
            {
                "fields": (
                    ("reinspection_fee_usd", "fee_after_failures", "fee_is_prepaid"),
                    "lapse_days",
                )
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
        limit = authority.visits_per_day
        visits = "" if limit is None else f"; {limit} of ours a day"
        return (
            f"{when}; {request_words(authority)}; {notice_words(authority)}; "
            f"{authority.weekdays}, {authority.visit_windows}{visits}"
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
