"""Filters of the job list that answer "what holds it?" and "is it late?"."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.http import HttpRequest
from django.utils import timezone

from inspections.models import Inspection, LocateTicket
from jobs.models import Delivery, Job, Phase


class WaitingForFilter(admin.SimpleListFilter):
    """Signed jobs by what has to come before work can go on."""

    title = "waiting for"
    parameter_name = "waiting"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the kinds of waiting."""
        return [
            ("authority", "Authority not chosen"),
            ("permit", "Permit"),
            ("locate", "Locate ticket"),
            ("delivery", "Delivery"),
            ("inspection", "Inspection asked for"),
        ]

    def queryset(self, request: HttpRequest, queryset: QuerySet[Job]) -> QuerySet[Job]:
        """Return the jobs that wait for the chosen thing."""
        if self.value() not in dict(self.lookups(request, None)):
            return queryset
        waiting = {
            "authority": Q(permit=None),
            "permit": Q(permit__is_exempt=False, permit__issued_on=None),
            "locate": Q(_to_dig()) & ~Q(_live_ticket()),
            "delivery": Q(_missing_delivery()),
            "inspection": Q(_open_inspection()),
        }
        return queryset.filter(waiting[self.value() or ""], status=Job.Status.SIGNED)


class LatenessFilter(admin.SimpleListFilter):
    """Jobs by how the published plan, or the real completion, keeps the promise."""

    title = "promise"
    parameter_name = "promise"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return late, kept and none."""
        return [("late", "Late"), ("kept", "On time"), ("none", "No promise given")]

    def queryset(self, request: HttpRequest, queryset: QuerySet[Job]) -> QuerySet[Job]:
        """Return the jobs of the chosen kind."""
        done = Q(status=Job.Status.DONE)
        if self.value() == "none":
            return queryset.filter(promised_on=None)
        if self.value() == "late":
            return queryset.filter(
                (done & Q(completed_on__gt=F("promised_on")))
                | (~done & Q(planned_finish_at__date__gt=F("promised_on")))
            )
        if self.value() == "kept":
            return queryset.filter(
                (done & Q(completed_on__lte=F("promised_on")))
                | (~done & Q(planned_finish_at__date__lte=F("promised_on")))
            )
        return queryset


def _to_dig() -> Exists:
    return Exists(
        Phase.objects.filter(
            job=OuterRef("pk"),
            code="DIG",
            status__in=(Phase.Status.OPEN, Phase.Status.UNDER_WAY),
        )
    )


def _missing_delivery() -> Exists:
    missing = Q(arrived_on=None) | ~Q(shortage="")
    return Exists(Delivery.objects.filter(missing, job=OuterRef("pk")))


def _live_ticket() -> Exists:
    return Exists(
        LocateTicket.objects.filter(job=OuterRef("pk"), expires_on__gte=timezone.localdate())
    )


def _open_inspection() -> Exists:
    return Exists(
        Inspection.objects.filter(
            phase__job=OuterRef("pk"),
            status__in=(Inspection.Status.REQUESTED, Inspection.Status.CONFIRMED),
        )
    )
