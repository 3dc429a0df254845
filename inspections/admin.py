"""The office's pages of authorities, permits, locate tickets and inspections."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import Count, F, Q, QuerySet
from django.http import HttpRequest
from django.utils import timezone

from contractor.trade.notice import AskedWhen
from contractor.trade.phases import INSPECTIONS, PHASE_TABLE
from inspections.models import Authority, AuthorityClosure, Inspection, LocateTicket, Permit
from jobs.admin.words import count, day, span
from jobs.forms import NamedErrors
from jobs.models import Job, Phase


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


class PermitStateFilter(admin.SimpleListFilter):
    """Permits by where they stand."""

    title = "state"
    parameter_name = "state"
    states = {
        "to_apply": Q(is_exempt=False, issued_on=None, applied_on=None),
        "applied": Q(is_exempt=False, issued_on=None, applied_on__isnull=False),
        "issued": Q(is_exempt=False, issued_on__isnull=False),
        "exempt": Q(is_exempt=True),
    }

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the states."""
        return [
            ("to_apply", "Not applied for"),
            ("applied", "Applied for"),
            ("issued", "Issued"),
            ("exempt", "Exempt"),
        ]

    def queryset(self, request: HttpRequest, queryset: QuerySet[Permit]) -> QuerySet[Permit]:
        """Return the permits of the chosen state."""
        chosen = self.states.get(self.value() or "")
        return queryset if chosen is None else queryset.filter(chosen)


@admin.register(Permit)
class PermitAdmin(admin.ModelAdmin):
    """Permits: applied, expected, issued."""

    form = NamedErrors
    list_display = (
        "job",
        "authority",
        "number",
        "is_exempt",
        "applied_on",
        "expected_on",
        "issued_on",
    )
    list_filter = (PermitStateFilter, "authority")
    list_select_related = ("job", "authority")
    search_fields = ("number", "job__number", "job__buyer_name")
    autocomplete_fields = ("job", "authority")
    ordering = (F("issued_on").desc(nulls_first=True), F("expected_on").asc(nulls_last=True), "id")

    def has_delete_permission(self, request: HttpRequest, obj: Permit | None = None) -> bool:
        """Refuse deletion: every job names its authority."""
        return False


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


class InspectionKindFilter(admin.SimpleListFilter):
    """Inspections by which one it is; crew phases are not offered."""

    title = "inspection"
    parameter_name = "kind"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the inspections that authorities make."""
        return [(k.code, k.label) for k in PHASE_TABLE.values() if k.code in INSPECTIONS]

    def queryset(
        self, request: HttpRequest, queryset: QuerySet[Inspection]
    ) -> QuerySet[Inspection]:
        """Return the inspections of the chosen kind."""
        return queryset.filter(phase__code=self.value()) if self.value() else queryset


@admin.register(Inspection)
class InspectionAdmin(admin.ModelAdmin):
    """Visits asked for, confirmed and made."""

    form = NamedErrors
    list_display = ("job", "kind", "status", "visit", "authority", "requested", "note")
    list_filter = ("status", InspectionKindFilter, "phase__job__permit__authority")
    list_select_related = ("phase__job__permit__authority",)
    search_fields = ("phase__job__number", "phase__job__buyer_name", "note")
    autocomplete_fields = ("phase",)
    date_hierarchy = "requested_at"
    ordering = ("-requested_at", "-id")

    @admin.display(description="job", ordering="phase__job__number")
    def job(self, inspection: Inspection) -> Job:
        """Return the job."""
        return inspection.phase.job

    @admin.display(description="inspection", ordering="phase__code")
    def kind(self, inspection: Inspection) -> str:
        """Return which inspection it is."""
        return inspection.phase.get_code_display()

    @admin.display(description="visit", ordering="visit_from")
    def visit(self, inspection: Inspection) -> str:
        """Return the window of the visit."""
        return span(inspection.visit_from, inspection.visit_until)

    @admin.display(description="asked", ordering="requested_at")
    def requested(self, inspection: Inspection) -> str:
        """Return the day on which it was asked for."""
        return day(inspection.requested_at)

    @admin.display(description="authority")
    def authority(self, inspection: Inspection) -> str:
        """Return who inspects."""
        permit = getattr(inspection.phase.job, "permit", None)
        return str(permit.authority) if permit else "–"

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer only phases that an authority performs."""
        if db_field.name == "phase":
            kwargs["queryset"] = Phase.objects.filter(code__in=INSPECTIONS)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)
