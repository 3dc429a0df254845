"""The inspection desk's page, and what its buttons post to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE
from crews.shifts import parse_shifts
from inspections.models import Inspection, InspectionEvent
from inspections.selectors.desk import RecordLine, desk
from inspections.selectors.desk_rows import PART_CAUTION, DeskRow
from inspections.selectors.locate import ticket_warnings
from inspections.selectors.permits import WARN_DAYS_AHEAD, permits_to_act_on
from inspections.services import visits
from inspections.services.visits import Recorded, Said, VisitRefused
from jobs.admin.back import back
from jobs.admin.replanning import look_for_better
from jobs.admin.words import day, span
from jobs.models import Phase

Status = Inspection.Status
DESK = "admin:inspections_inspection_desk"
# One click each; passed in part needs to say what is free, so it has a form of its own.
OUTCOMES = (
    Status.PASSED,
    Status.PASSED_CORRECTIONS,
    Status.FAILED,
    Status.NOT_READY,
    Status.ABSENT,
    Status.CANCELLED_BY_US,
    Status.CANCELLED_BY_THEM,
    Status.CANCELLED_WEATHER,
)


class WindowForm(forms.Form):
    """When they come: a day and one of the authority's windows."""

    visit_on = forms.DateField(
        label="Day",
        error_messages={
            "required": "Day: enter the day on which they come.",
            "invalid": "Day: this is not a date. Write it like 2026-06-01.",
        },
    )
    window = forms.RegexField(
        r"^\d\d:\d\d-\d\d:\d\d$",
        label="Window",
        error_messages={
            "required": "Window: choose when they come.",
            "invalid": "Window: write it like 08:00-12:00.",
        },
    )

    def span(self) -> tuple[datetime, datetime]:
        """Return the window as moments at the site."""
        zone, on = timezone.get_default_timezone(), self.cleaned_data["visit_on"]
        ((opens, closes),) = parse_shifts(self.cleaned_data["window"])
        return datetime.combine(on, opens, tzinfo=zone), datetime.combine(on, closes, tzinfo=zone)


class OutcomeForm(forms.Form):
    """What came of a visit, who said so, and what else there is to say."""

    outcome = forms.ChoiceField(
        choices=Status.choices, error_messages={"invalid_choice": "Choose one of the outcomes."}
    )
    said_by = forms.CharField(label="Said by", max_length=60, required=False)
    note = forms.CharField(label="Note", max_length=200, required=False)
    happened_at = forms.DateTimeField(
        label="When it was",
        required=False,
        error_messages={"invalid": "When it was: write it like 2026-06-01 14:30."},
    )
    released = forms.CharField(label="Free", max_length=200, required=False)
    released_percent = forms.IntegerField(
        label="Percent free",
        min_value=1,
        max_value=99,
        required=False,
        error_messages={
            "invalid": "Percent free: enter a whole number from 1 to 99.",
            "min_value": "Percent free: enter 1 or more.",
            "max_value": "Percent free: enter 99 or less; if all is free, it is passed.",
        },
    )


@dataclass(frozen=True, slots=True)
class ShownRow:
    """A row of the desk in words."""

    row: DeskRow
    title: str
    visit: str
    ask_from: str
    ask_by: str
    windows: tuple[str, ...]
    outcomes_open: bool


@dataclass(frozen=True, slots=True)
class ShownLine:
    """A line of the record in words."""

    line: RecordLine
    at: str
    who: str
    what: str


class DeskPages(admin.ModelAdmin):
    """The desk beside the stock pages of inspections."""

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, the desk and what it posts to."""
        view = self.admin_site.admin_view
        name = "inspections_inspection_{}".format
        return [
            path("desk/", view(self.desk), name=name("desk")),
            path("desk/ask/<int:phase_id>/", view(self.ask), name=name("ask")),
            path("desk/confirm/<int:visit_id>/", view(self.confirm), name=name("confirm")),
            path("desk/record/<int:visit_id>/", view(self.record), name=name("record")),
            path("desk/undo/<int:event_id>/", view(self.undo), name=name("undo")),
            *super().get_urls(),
        ]

    def desk(self, request: HttpRequest) -> HttpResponse:
        """Show what to call in, what is overdue, what is booked, and the record."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        now = timezone.now()
        found = desk(now=now)
        context = {
            **self.admin_site.each_context(request),
            "title": "Inspection desk",
            "opts": self.opts,
            "plan": found.plan,
            "to_ask": [_shown(row, now) for row in found.to_ask],
            "overdue": [_shown(row, now) for row in found.overdue],
            "booked": [_shown(row, now) for row in found.booked],
            "coming": [_shown(row, now) for row in found.coming],
            "record": [_line(line) for line in found.record],
            "permits": permits_to_act_on(now=now),
            "warnings": ticket_warnings(now=now),
            "warn_days": WARN_DAYS_AHEAD,
            "outcomes": [(one.value, one.label) for one in OUTCOMES],
            "part_caution": PART_CAUTION,
            "may_tell": self.has_change_permission(request),
            "now_words": f"{timezone.localtime(now):%a %b %-d, %H:%M}",
        }
        return TemplateResponse(request, "admin/inspections/inspection/desk.html", context)

    def ask(self, request: HttpRequest, phase_id: int) -> HttpResponse:
        """Note that a visit was asked for, in the window that the plan counts on or another."""
        phase = self._posted(request, Phase.objects.select_related("job"), phase_id)
        form = WindowForm(request.POST)
        if form.is_valid():
            begins, ends = form.span()
            self._tell(
                request,
                lambda: visits.ask(
                    phase_id=phase.pk, visit_from=begins, visit_until=ends, said=_said(request)
                ),
            )
        return self._back(request, form)

    def confirm(self, request: HttpRequest, visit_id: int) -> HttpResponse:
        """Note when the authority said that it comes."""
        visit = self._posted(request, Inspection.objects, visit_id)
        form = WindowForm(request.POST)
        if form.is_valid():
            begins, ends = form.span()
            self._tell(
                request,
                lambda: visits.confirm(
                    inspection_id=visit.pk,
                    seen=_seen(request),
                    visit_from=begins,
                    visit_until=ends,
                    said=_said(request),
                ),
            )
        return self._back(request, form)

    def record(self, request: HttpRequest, visit_id: int) -> HttpResponse:
        """Note what came of a visit."""
        visit = self._posted(request, Inspection.objects, visit_id)
        form = OutcomeForm(request.POST)
        if form.is_valid():
            told = form.cleaned_data
            percent = told["released_percent"]
            self._tell(
                request,
                lambda: visits.record(
                    inspection_id=visit.pk,
                    seen=_seen(request),
                    outcome=told["outcome"],
                    said=_said(request, said_by=told["said_by"], note=told["note"]),
                    happened_at=told["happened_at"],
                    released=told["released"],
                    released_share=None if percent is None else percent / 100,
                ),
            )
        return self._back(request, form)

    def undo(self, request: HttpRequest, event_id: int) -> HttpResponse:
        """Take the last event of a visit back."""
        event = self._posted(request, InspectionEvent.objects, event_id)
        self._tell(request, lambda: visits.undo(event_id=event.pk, said=_said(request)))
        return back(request, DESK)

    def _posted(self, request: HttpRequest, rows: Any, pk: int) -> Any:
        """Return the row that a button is about, or refuse."""
        if not self.has_change_permission(request):
            raise PermissionDenied
        row = rows.filter(pk=pk).first() if request.method == "POST" else None
        if row is None:
            raise Http404("Nothing to tell here.")
        return row

    def _tell(self, request: HttpRequest, service: Any) -> None:
        """Call a service and show what came of it."""
        try:
            done: Recorded = service()
        except VisitRefused as refused:
            messages.error(request, str(refused))
            return
        visit = done.event.inspection
        words = f"{visit.phase.get_code_display()} of job {visit.phase.job.number}"
        if not done.is_new:
            messages.info(request, f"{words} stands already as entered.")
            return
        messages.success(request, f"{words}: {visit.get_status_display().lower()}.")
        if visit.status == Status.PARTIAL:
            messages.warning(request, PART_CAUTION)
        if done.plan_fault:
            messages.warning(request, f"It is saved, but no draft was made: {done.plan_fault}")
        if done.wanted is not None:
            look_for_better(request, done.wanted)

    def _back(self, request: HttpRequest, form: forms.Form) -> HttpResponse:
        for errors in form.errors.values():
            for text in errors:
                messages.error(request, text)
        return back(request, DESK)


def _said(request: HttpRequest, *, said_by: str = "", note: str = "") -> Said:
    user: Any = request.user
    return Said(now=timezone.now(), by=user, said_by=said_by, note=note)


def _seen(request: HttpRequest) -> int:
    """Return the number of the last event that the page showed; nonsense counts as none."""
    text = request.POST.get("seen", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else 0


def _shown(row: DeskRow, now: datetime) -> ShownRow:
    windows = tuple(
        f"{_clock(opens)}-{_clock(closes)}"
        for opens, closes in parse_shifts(row.authority.visit_windows)
    )
    planned = window_of(row)
    begun = row.visit_from is None or row.visit_from <= now
    return ShownRow(
        row=row,
        title=f"{row.phase.get_code_display()}, job {row.job}",
        visit=span(row.visit_from, row.visit_until),
        ask_from=_moment(row.ask_from) if row.ask_from and row.ask_from > now else "",
        ask_by=_moment(row.ask_by) if row.ask_by else "",
        windows=tuple(dict.fromkeys((planned, *windows))) if planned else windows,
        outcomes_open=begun,
    )


def window_of(row: DeskRow) -> str:
    """Return the hours of a row's visit, where it is within a day."""
    if row.visit_from is None or row.visit_until is None:
        return ""
    begins, ends = timezone.localtime(row.visit_from), timezone.localtime(row.visit_until)
    return f"{begins:%H:%M}-{ends:%H:%M}" if begins.date() == ends.date() else ""


def _line(line: RecordLine) -> ShownLine:
    event = line.event
    phase = event.inspection.phase
    return ShownLine(
        line=line,
        at=_moment(event.at),
        who=event.teller or "entered by someone without a sign-in",
        what=f"{PHASE_TABLE[phase.code].label}, job {phase.job.number}: "
        + (f"{event.get_from_status_display().lower()} → " if event.from_status else "")
        + event.get_to_status_display().lower()
        + (" (undo)" if event.undoes_id else ""),
    )


def _moment(moment: datetime) -> str:
    return f"{day(moment)}, {timezone.localtime(moment):%H:%M}"


def _clock(at: time) -> str:
    return f"{at:%H:%M}"
