"""The office's page of locate tickets."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils import timezone

from inspections.models import LocateTicket
from jobs.admin.words import count, day
from jobs.forms import NamedErrors


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


@admin.register(LocateTicket)
class LocateTicketAdmin(admin.ModelAdmin):
    """Buried-line notices: when digging may begin, and how long they live."""

    form = NamedErrors
    list_display = ("number", "job", "life", "called", "digging", "expires")
    list_filter = (TicketLifeFilter,)
    list_select_related = ("job",)
    search_fields = ("number", "job__number", "job__buyer_name")
    autocomplete_fields = ("job",)
    date_hierarchy = "expires_on"
    ordering = ("-expires_on", "-id")

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
