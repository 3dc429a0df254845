"""Deliveries, how long they take, and the week's calls to suppliers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.template.response import TemplateResponse
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import mark_safe

from contractor.trade.lead_times import RESERVE_DAYS
from contractor.trade.phases import PHASE_TABLE
from jobs.admin.back import ComesBack, back
from jobs.admin.recording import RecordsChanges
from jobs.admin.replanning import plan_again
from jobs.admin.words import count, day, short_day
from jobs.forms import DeliveryForm, NamedErrors
from jobs.models import Delivery, DeliveryReport, LeadTime
from jobs.selectors.call_ahead import CallAheadLine, Standing, call_ahead, reports_of
from jobs.services import deliveries

# A row's number as a page writes it, within what every database takes.
_NUMBER = re.compile(r"[0-9]{1,18}", re.ASCII)


class PromiseForm(forms.Form):
    """The day that a supplier names."""

    promised_on = forms.DateField(
        label="Promised for",
        error_messages={
            "required": "Promised for: enter the day.",
            "invalid": "Promised for: this is not a date. Write it like 2026-06-01.",
        },
    )


class ArrivalForm(forms.Form):
    """What came, and what of it is short or broken."""

    arrived_on = forms.DateField(
        label="Arrived on",
        error_messages={
            "required": "Arrived on: enter the day.",
            "invalid": "Arrived on: this is not a date. Write it like 2026-06-01.",
        },
    )
    shortage = forms.CharField(label="Short or damaged", max_length=200, required=False)


class DueForm(forms.Form):
    """The day for which deliveries were shown."""

    due_on = forms.DateField(
        error_messages={
            "required": "Due on: the day is missing. Open the page again.",
            "invalid": "Due on: this is not a date. Open the page again.",
        },
    )


class SupplierFilter(admin.AllValuesFieldListFilter):
    """Rows by supplier; a choice without a name would be a link that nobody sees."""

    def choices(self, changelist: Any) -> Iterator[dict[str, Any]]:
        """Yield the suppliers, and what stands for none."""
        for choice in super().choices(changelist):
            yield {**choice, "display": choice["display"] or "none named"}


class AwaitedFilter(admin.SimpleListFilter):
    """Deliveries by whether they are there."""

    title = "state"
    parameter_name = "state"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the states."""
        return [("awaited", "Awaited"), ("short", "Arrived short"), ("there", "There")]

    def queryset(self, request: HttpRequest, queryset: Any) -> Any:
        """Return the deliveries of the chosen state."""
        if self.value() == "awaited":
            return queryset.filter(arrived_on=None)
        if self.value() == "short":
            return queryset.exclude(arrived_on=None).exclude(shortage="")
        if self.value() == "there":
            return queryset.exclude(arrived_on=None).filter(shortage="")
        return queryset


@admin.register(Delivery)
class DeliveryAdmin(ComesBack, RecordsChanges):
    """Material that phases wait for, and the page to call suppliers by."""

    form = DeliveryForm
    list_display = (
        "job",
        "item",
        "supplier",
        "quantity",
        "ordered",
        "promised",
        "state",
    )
    readonly_fields = ("told",)
    list_filter = (AwaitedFilter, "item", ("supplier", SupplierFilter))
    list_select_related = ("job",)
    search_fields = ("job__number", "job__buyer_name", "supplier")
    autocomplete_fields = ("job",)
    ordering = ("promised_on", "job__number", "item")
    change_list_template = "admin/jobs/delivery/change_list.html"

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, the call-ahead list and what it posts to."""
        view = self.admin_site.admin_view
        return [
            path("call-ahead/", view(self.call_ahead), name="jobs_delivery_call_ahead"),
            path("<int:delivery_id>/tell/", view(self.tell), name="jobs_delivery_tell"),
            path("undo/<int:report_id>/", view(self.undo), name="jobs_delivery_undo"),
            *super().get_urls(),
        ]

    @admin.display(description="ordered", ordering="ordered_on")
    def ordered(self, row: Delivery) -> str:
        """Return the day of the order."""
        return short_day(row.ordered_on)

    @admin.display(description="promised", ordering="promised_on")
    def promised(self, row: Delivery) -> str:
        """Return the promised day, and when it was confirmed."""
        confirmed = f", confirmed {short_day(row.confirmed_on)}" if row.confirmed_on else ""
        return f"{short_day(row.promised_on)}{confirmed}"

    @admin.display(description="arrived", ordering="arrived_on")
    def state(self, row: Delivery) -> str:
        """Return when it arrived, and what of it is short."""
        short = f", short or damaged: {row.shortage}" if row.shortage else ""
        return f"{short_day(row.arrived_on)}{short}"

    @admin.display(description="told so far")
    def told(self, row: Delivery) -> str:
        """Return who told what of it and when, newest first."""
        if row.pk is None:
            return "–"
        lines = (
            (f"{_told_words(report)}{', undone' if report.undone_at else ''}",)
            for report in reports_of(row)
        )
        return format_html_join(mark_safe("<br>"), "{}", lines) or "nothing"

    def save_model(self, request: HttpRequest, obj: Delivery, form: Any, change: bool) -> None:
        """Save, and make a draft of it at once."""
        super().save_model(request, obj, form, change)
        if form.changed_data:
            _plan_again_after(request, obj, "changed")

    def call_ahead(self, request: HttpRequest) -> HttpResponse:
        """Show the week's calls to suppliers."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        found = call_ahead(now=timezone.now())
        context = {
            **self.admin_site.each_context(request),
            "title": "Call ahead",
            "opts": self.opts,
            "plan": found.plan,
            "reserve": count(RESERVE_DAYS, "day"),
            "may_tell": self.has_change_permission(request),
            "sections": [
                ("To confirm this week", [_shown(line) for line in found.to_confirm]),
                ("To order this week", [_shown(line) for line in found.to_order]),
            ],
            "today": timezone.localdate(),
        }
        return TemplateResponse(request, "admin/jobs/delivery/call_ahead.html", context)

    def tell(self, request: HttpRequest, delivery_id: int) -> HttpResponse:
        """Note what a supplier told or what arrived."""
        delivery = self._posted(request, Delivery, delivery_id)
        if "due_on" in request.POST:
            self._confirm_all(request, delivery)
            return back(request, "admin:jobs_delivery_call_ahead")
        try:
            report = self._told(request, delivery)
        except (deliveries.DeliveryRefused, ValidationError) as refused:
            for text in getattr(refused, "messages", [str(refused)]):
                messages.error(request, text)
        else:
            self._say(request, delivery, report)
        return back(request, "admin:jobs_delivery_call_ahead")

    def undo(self, request: HttpRequest, report_id: int) -> HttpResponse:
        """Take back what was told last."""
        report = self._posted(request, DeliveryReport, report_id)
        try:
            delivery = deliveries.undo(report_id=report.pk, now=timezone.now())
        except deliveries.DeliveryRefused as refused:
            messages.error(request, str(refused))
        else:
            messages.success(request, f"{report}, job {report.job.number}: undone.")
            if report.kind != DeliveryReport.Kind.CONFIRMED:
                _plan_again_after(request, delivery, "as before")
        return back(request, "admin:jobs_delivery_call_ahead")

    def _posted(self, request: HttpRequest, model: Any, pk: int) -> Any:
        if not self.has_change_permission(request):
            raise PermissionDenied
        row = model.objects.select_related("job").filter(pk=pk).first()
        if row is None or request.method != "POST":
            raise Http404
        return row

    def _told(self, request: HttpRequest, delivery: Delivery) -> DeliveryReport | None:
        """Make the one call that the button stands for."""
        who: dict[str, Any] = {"now": timezone.now(), "by": request.user}
        what = request.POST.get("told")
        if what == "promised":
            given = _cleaned(PromiseForm(request.POST))
            return deliveries.promise(delivery_id=delivery.pk, **given, **who)
        if what == "arrived":
            given = _cleaned(ArrivalForm(request.POST))
            return deliveries.arrive(delivery_id=delivery.pk, **given, **who)
        return deliveries.confirm(delivery_id=delivery.pk, **who)

    def _confirm_all(self, request: HttpRequest, first: Delivery) -> None:
        """Note that all the deliveries that the desk shows together come on their day."""
        also = [text for text in request.POST.getlist("also") if _NUMBER.fullmatch(text)]
        rows = {first.pk, *Delivery.objects.filter(pk__in=also).values_list("pk", flat=True)}
        try:
            due_on = _cleaned(DueForm(request.POST))["due_on"]
            deliveries.confirm_all(
                delivery_ids=rows, due_on=due_on, now=timezone.now(), by=request.user
            )
        except (deliveries.DeliveryRefused, ValidationError) as refused:
            for text in getattr(refused, "messages", [str(refused)]):
                messages.error(request, text)
        else:
            what = str(first) if len(rows) == 1 else count(len(rows), "load")
            messages.success(request, f"{what}: confirmed for {day(due_on)}. It can be undone.")

    def _say(self, request: HttpRequest, delivery: Delivery, report: DeliveryReport | None) -> None:
        if report is None:
            messages.info(request, f"{delivery}: that is noted already.")
            return
        note = f" {report.note}" if report.note else ""
        messages.success(
            request, f"{delivery}: {report.get_kind_display().lower()}{note}. It can be undone."
        )
        if report.kind != DeliveryReport.Kind.CONFIRMED:
            _plan_again_after(request, delivery, report.get_kind_display().lower())


@admin.register(LeadTime)
class LeadTimeAdmin(admin.ModelAdmin):
    """How long items take; starter values until the office corrects them."""

    form = NamedErrors
    list_display = ("item", "supplier", "post_kind", "span", "days", "source", "checked_on")
    list_filter = ("item", ("supplier", SupplierFilter))
    search_fields = ("supplier", "source")
    ordering = ("item", "supplier", "post_kind", "over_span_ft")

    @admin.display(description="building width", ordering="over_span_ft")
    def span(self, row: LeadTime) -> str:
        """Return the range of widths in words."""
        if row.to_span_ft is None:
            return f"over {row.over_span_ft:g} ft" if row.over_span_ft else "any"
        return f"over {row.over_span_ft:g} to {row.to_span_ft:g} ft"


def _cleaned(form: forms.Form) -> dict[str, Any]:
    if not form.is_valid():
        raise ValidationError([text for texts in form.errors.values() for text in texts])
    return form.cleaned_data


def _plan_again_after(request: HttpRequest, delivery: Delivery, what: str) -> None:
    told = f"{delivery.get_item_display().lower()} for {delivery.job.number}: {what}"
    transaction.on_commit(partial(plan_again, request, reason=told))


def _shown(line: CallAheadLine) -> dict[str, Any]:
    """Return a line as the page shows it."""
    row, report = line.delivery, line.report
    return {
        "line": line,
        "delivery": row,
        "job": format_html(
            '<a href="{}">{}</a>', reverse("admin:jobs_job_change", args=[row.job_id]), row.job
        ),
        "phase": PHASE_TABLE[line.phase_code].label,
        "is_bad": line.standing in (Standing.OVERDUE, Standing.LATE),
        "needed": day(line.needed_by) if line.needed_by else "no dates yet",
        "against": _against_words(line),
        "may_confirm": row.promised_on is not None and line.standing is not Standing.OVERDUE,
        "due": day(line.due_on),
        "order_by": day(line.order_by),
        "confirmed": day(row.confirmed_on),
        "told": _told_words(report) if report else "",
        "report": report,
    }


def _against_words(line: CallAheadLine) -> str:
    """Return how far a delivery is from the day that counts."""
    if line.standing is Standing.OVERDUE:
        return f"{count((timezone.localdate() - line.due_on).days, 'day')} past its day"
    if line.days_late is None:
        return ""
    if line.days_late > 0:
        return f"{count(line.days_late, 'day')} after it is needed"
    return f"{count(-line.days_late, 'day')} before it is needed"


def _told_words(report: DeliveryReport) -> str:
    at = timezone.localtime(report.told_at)
    note = f" {report.note}" if report.note else ""
    by = f" by {report.told_by}" if report.told_by else ""
    return f"{report.get_kind_display()}{note}, noted {day(at)}, {at:%H:%M}{by}"
