"""The office's pages of locate tickets and of the states' rules for them."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.contrib import admin
from django.db import transaction
from django.db.models import QuerySet
from django.forms import ModelForm
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from contractor.trade import locate
from inspections.models import LocateRule, LocateTicket, TicketResponse
from inspections.selectors.locate import answer_words, reckoned, ticket_warnings
from jobs.admin.back import ComesBack
from jobs.admin.recording import RecordsChanges
from jobs.admin.replanning import plan_again
from jobs.admin.words import count, day
from jobs.forms import NamedErrors
from jobs.models import Job


class TicketLifeFilter(admin.SimpleListFilter):
    """Locate tickets by whether digging is covered today."""

    title = "life"
    parameter_name = "life"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the stages of a ticket's life."""
        return [("waiting", "Marking under way"), ("alive", "Alive today"), ("expired", "Expired")]

    def queryset(
        self, request: HttpRequest, queryset: QuerySet[LocateTicket]
    ) -> QuerySet[LocateTicket]:
        """Return the tickets of the chosen stage."""
        today = timezone.localdate()
        if self.value() == "waiting":
            return queryset.filter(dig_from__gt=today)
        if self.value() == "alive":
            return queryset.filter(dig_from__lte=today, expires_on__gte=today)
        if self.value() == "expired":
            return queryset.filter(expires_on__lt=today)
        return queryset


class TicketResponseInline(admin.TabularInline):
    """What the utilities answered."""

    model = TicketResponse
    form = NamedErrors
    extra = 0
    verbose_name_plural = "positive response: what each utility answered"


@admin.register(LocateTicket)
class LocateTicketAdmin(ComesBack, RecordsChanges):
    """Buried-line notices: when digging may begin, and how long they live."""

    form = NamedErrors
    list_display = ("number", "job", "life", "called", "digging", "expires", "answers")
    list_filter = (TicketLifeFilter,)
    list_select_related = ("job",)
    search_fields = ("number", "job__number", "job__buyer_name")
    autocomplete_fields = ("job", "renewed_from")
    date_hierarchy = "expires_on"
    ordering = ("-expires_on", "-id")
    inlines = (TicketResponseInline,)
    change_list_template = "admin/inspections/locateticket/change_list.html"
    fieldsets = (
        (
            None,
            {
                "description": "Each digger needs its own ticket. Private lines are not marked. "
                "The call center's days come first; those offered are by the state's rule.",
                "fields": (
                    ("job", "number"),
                    ("called_on", "called_by"),
                    ("dig_from", "expires_on"),
                    "renewed_from",
                ),
            },
        ),
        ("On site", {"fields": ("marks_seen_on", "private_lines")}),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[LocateTicket]:
        """Return the tickets with what was answered to them."""
        return super().get_queryset(request).prefetch_related("responses")

    def get_changeform_initial_data(self, request: HttpRequest) -> dict[str, Any]:
        """Return today as the day of the call, and what the state's rule makes of it."""
        initial: dict[str, Any] = dict(super().get_changeform_initial_data(request))
        now = timezone.localtime()
        initial.setdefault("called_on", now.date())
        number = str(initial.get("job", ""))
        job = Job.objects.filter(pk=number).first() if number.isdigit() else None
        clock = reckoned(state=job.site_state, called_at=now) if job else None
        if clock:
            initial |= {"dig_from": clock.earliest_dig, "expires_on": clock.expires_on}
        return initial

    def changelist_view(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Show the list below what its tickets will not cover."""
        warnings = ticket_warnings(now=timezone.now())
        return super().changelist_view(request, {**(extra_context or {}), "warnings": warnings})

    def save_related(
        self, request: HttpRequest, form: ModelForm, formsets: Any, change: bool
    ) -> None:
        """Save the answers too, and make a draft of what has changed."""
        super().save_related(request, form, formsets, change)
        if form.has_changed() or any(rows.has_changed() for rows in formsets):
            ticket = form.instance
            told = f"locate ticket {ticket.number} of {ticket.job.number} is "
            told += "changed" if change else "new"
            transaction.on_commit(partial(plan_again, request, reason=told))

    @admin.display(description="today")
    def life(self, ticket: LocateTicket) -> str:
        """Return in words whether it covers digging today."""
        today = timezone.localdate()
        left = (ticket.expires_on - today).days
        if left < 0:
            return "expired"
        if ticket.dig_from > today:
            return f"no digging before {day(ticket.dig_from)}"
        return f"alive, {count(left, 'more day')}" if left else "alive, last day"

    @admin.display(description="called", ordering="called_on")
    def called(self, ticket: LocateTicket) -> str:
        """Return the day of the call."""
        return day(ticket.called_on)

    @admin.display(description="dig from", ordering="dig_from")
    def digging(self, ticket: LocateTicket) -> str:
        """Return the first day of digging."""
        return day(ticket.dig_from)

    @admin.display(description="last day", ordering="expires_on")
    def expires(self, ticket: LocateTicket) -> str:
        """Return the last day it covers."""
        return day(ticket.expires_on)

    @admin.display(description="answers")
    def answers(self, ticket: LocateTicket) -> str:
        """Return what the utilities answered."""
        if not ticket.responses.all():
            return "none read"
        return answer_words(ticket).partition(": ")[2]


@admin.register(LocateRule)
class LocateRuleAdmin(admin.ModelAdmin):
    """The states' rules: starter values until the office has checked them."""

    form = NamedErrors
    list_display = ("state", "notice", "life", "last_start", "views", "source", "checked_on")
    list_filter = ("must_view_response",)
    search_fields = ("state", "source")
    ordering = ("state",)
    list_per_page = 60
    fieldsets = (
        (
            None,
            {
                "description": "For planning. Laws change every year: check each rule with the "
                "state's call center, and enter the day on which you did.",
                "fields": ("state", ("source", "checked_on")),
            },
        ),
        (
            "Notice",
            {
                "fields": (
                    ("notice_working_days", "notice_hours"),
                    ("count_from_next_day", "call_by"),
                )
            },
        ),
        (
            "Life",
            {
                "fields": (
                    ("life_days", "life_in_working_days", "life_from_dig_date"),
                    ("must_start_days", "idle_limit_days"),
                )
            },
        ),
        ("Answers", {"fields": ("must_view_response",)}),
    )

    def save_model(
        self, request: HttpRequest, obj: LocateRule, form: ModelForm, change: bool
    ) -> None:
        """Save, and make a draft by the rule as it is now."""
        super().save_model(request, obj, form, change)
        if form.changed_data:
            told = f"the locate rule of {obj.state} is changed"
            transaction.on_commit(partial(plan_again, request, reason=told))

    @admin.display(description="notice")
    def notice(self, row: LocateRule) -> str:
        """Return the notice in words."""
        return notice_words(row.rule())

    @admin.display(description="life")
    def life(self, row: LocateRule) -> str:
        """Return how long a ticket lives."""
        kind = "working day" if row.life_in_working_days else "day"
        start = "the first day of digging" if row.life_from_dig_date else "the call"
        return f"{count(row.life_days, kind)} from {start}"

    @admin.display(description="begin and rest")
    def last_start(self, row: LocateRule) -> str:
        """Return until when digging must begin and how long it may rest."""
        parts = []
        if row.must_start_days:
            parts.append(f"begin within {count(row.must_start_days, 'day')}")
        if row.idle_limit_days:
            parts.append(f"rest {count(row.idle_limit_days, 'day')} at most")
        return ", ".join(parts) or "–"

    @admin.display(description="answers", ordering="must_view_response")
    def views(self, row: LocateRule) -> str:
        """Return whether the utilities' answers must be read first."""
        return "must be read" if row.must_view_response else "–"


def notice_words(rule: locate.LocateRule) -> str:
    """Return a state's notice in words."""
    if rule.notice_hours:
        words = f"{rule.notice_hours} hours of working days"
    else:
        words = count(rule.notice_working_days, "working day")
    words += " from the next day" if rule.count_from_next_day else " from the call"
    return words + (f"; call by {rule.call_by:%H:%M}" if rule.call_by else "")
