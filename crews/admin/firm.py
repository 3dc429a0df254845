"""The office's pages of the firm and its weeks of work."""

from typing import Any

from django.contrib import admin
from django.db.models import Count, QuerySet
from django.http import HttpRequest

from crews.models import WEEKDAYS, Firm, WorkHours
from jobs.admin.recording import RecordsChanges


@admin.register(Firm)
class FirmAdmin(RecordsChanges):
    """The one row of the builder."""

    list_display = ("name", "county", "state", "phone", "freeze_days")
    fieldsets = (
        (None, {"fields": ("name", "county", "state", "phone")}),
        ("Planning", {"fields": ("freeze_days", "site_most_fall_in", "crew_day_cost_usd")}),
        ("Curing", {"fields": ("month_temperatures_degf", "daily_swing_degf")}),
        (
            "Slips and messages",
            {
                "description": "Nothing is sent in the quiet hours. The same time in both means "
                "that there are none.",
                "fields": ("slip_threshold_days", "notice_hour", ("quiet_from", "quiet_until")),
            },
        ),
    )

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Return whether the firm can still be entered: there is one."""
        return super().has_add_permission(request) and not Firm.objects.exists()

    def has_delete_permission(self, request: HttpRequest, obj: Firm | None = None) -> bool:
        """Return False: nothing can be planned without the firm."""
        return False


@admin.register(WorkHours)
class WorkHoursAdmin(RecordsChanges):
    """Weeks of work."""

    list_display = ("name", *WEEKDAYS, "crew_count")
    search_fields = ("name",)
    ordering = ("name",)
    fieldsets = (
        (
            None,
            {
                "fields": ("name", *WEEKDAYS),
                "description": "Shifts at the yard, driving included, like 07:00-12:00 "
                "12:30-16:00. Leave a day empty, or write off, when there is no work.",
            },
        ),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[WorkHours]:
        """Return the weeks with the number of crews that work them."""
        return super().get_queryset(request).annotate(crew_count=Count("crews"))

    @admin.display(description="crews", ordering="crew_count")
    def crew_count(self, week: Any) -> int:
        """Return how many crews work this week."""
        return int(week.crew_count)
