"""Slips against the published plan: what, how much, why, and the pairs they are told from."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils.html import format_html_join

from jobs.admin.back import ComesBack
from jobs.admin.words import day
from jobs.models import Slip
from jobs.selectors import slips


class OpenFilter(admin.SimpleListFilter):
    """Open slips first; the others on request."""

    title = "state"
    parameter_name = "state"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the choices."""
        return [("open", "Open"), ("ended", "Ended")]

    def queryset(self, request: HttpRequest, queryset: QuerySet[Slip]) -> QuerySet[Slip]:
        """Return the slips of the chosen state."""
        if self.value() == "open":
            return queryset.filter(ended_at=None)
        return queryset.filter(ended_at__isnull=False) if self.value() == "ended" else queryset


@admin.register(Slip)
class SlipAdmin(ComesBack):
    """Slips come from comparing; the office may name a cause that nobody has said."""

    list_display = ("job", "what", "phase", "amount", "why", "promise", "happened", "state")
    list_filter = (OpenFilter, "cause", "promise")
    list_select_related = ("job", "phase__job", "cause_job", "crew")
    search_fields = ("job__number", "job__buyer_name", "what")
    ordering = ("-id",)
    actions = None
    fields = (
        ("job", "phase", "crew"),
        "what",
        "cause",
        "cause_job",
        "amount",
        "promise",
        "happened",
        "state",
        "moves",
        "pairs",
    )
    readonly_fields = (
        *("job", "phase", "crew", "what", "cause_job", "amount", "promise"),
        *("happened", "state", "moves", "pairs"),
    )

    class Media:
        css = {"all": ("jobs/office.css",)}

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse slips by hand: facts make them."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse deletion: a slip is a record."""
        return False

    @admin.display(description="later by", ordering="job_quarters")
    def amount(self, slip: Slip) -> str:
        """Return working days of the job, of the phase, and the float between."""
        return slips.amount_words(slip)

    @admin.display(description="cause", ordering="cause")
    def why(self, slip: Slip) -> str:
        """Return the cause in words."""
        return slips.cause_words(slip)

    @admin.display(description="happened", ordering="happened_at")
    def happened(self, slip: Slip) -> str:
        """Return the day it happened."""
        return day(slip.happened_at)

    @admin.display(description="state", ordering="ended_at")
    def state(self, slip: Slip) -> str:
        """Return whether it is open, and else since when and why not."""
        return slips.state_words(slip, on=day(slip.ended_at))

    @admin.display(description="what it moves")
    def moves(self, slip: Slip) -> Any:
        """Return the bookings that it pushes, with their crews."""
        rows = ((words,) for words in slips.pushed_words(slip))
        return format_html_join("", "<p>{}</p>", rows)

    @admin.display(description="before and after each event of this job")
    def pairs(self, slip: Slip) -> Any:
        """Return all pairs of the job under the plan; together they are its whole lateness."""
        rows = (
            (
                step.what,
                f"{day(step.ends_before)} → {day(step.ends_after)}",
                f"{step.quarters / slip.day_quarters:+.2f}",
            )
            for step in slips.steps_of(slip.plan, slip.job)
        )
        return format_html_join("", "<p>{}: {} ({} working days)</p>", rows)
