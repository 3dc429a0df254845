"""Punch lists and callbacks: entered and done on the job page, booked by rounds on their own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import Http404
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import path, reverse
from django.utils import timezone

from contractor.trade.errors import SpecError
from contractor.trade.rounds import SHARE_OF_WEEK
from crews.models import Crew
from jobs.admin.recording import RecordsChanges
from jobs.admin.replanning import plan_again
from jobs.admin.words import count, day
from jobs.forms import NamedErrors, named
from jobs.models import Callback, Job
from jobs.selectors.callback_rounds import callback_rounds
from jobs.services import callbacks

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
    from django.urls import URLPattern

    from jobs.selectors.callback_rounds import ProposedRound


class AskForm(forms.Form):
    """What is to be put right, as it is entered on the job page."""

    kind = forms.ChoiceField(choices=Callback.Kind.choices)
    what = forms.CharField(max_length=200, label="What")
    asked_on = forms.DateField(label="Asked for on")
    promised_on = forms.DateField(required=False, label="Promised by")
    asked_by = forms.CharField(max_length=80, required=False, label="Asked by")
    labor_hours = forms.FloatField(min_value=0.25, max_value=200, label="Hours")


class DayForm(forms.Form):
    """The day on which something was done."""

    day = forms.DateField(label="Day")
    note = forms.CharField(max_length=200, required=False, label="Note")


class RoundForm(forms.Form):
    """A proposed round as its button sends it."""

    callback = forms.ModelMultipleChoiceField(Callback.objects.filter(done_on=None))
    crew = forms.ModelChoiceField(Crew.objects.filter(is_active=True))
    day = forms.DateField()


@admin.register(Callback)
class CallbackAdmin(RecordsChanges):
    """All that is or was to be put right; new ones are entered on their job's page."""

    form = NamedErrors
    list_display = ("what", "job", "kind", "asked_on", "promised_on", "visit", "done_on")
    list_filter = ("kind", ("done_on", admin.EmptyFieldListFilter))
    list_select_related = ("job", "round__crew")
    search_fields = ("what", "job__number", "job__buyer_name")
    ordering = ("-asked_on", "-id")
    actions = None
    readonly_fields = ("job", "kind", "visit")
    fields = (
        ("job", "kind"),
        "what",
        ("asked_on", "asked_by"),
        ("promised_on", "labor_hours"),
        "visit",
        ("done_on", "done_note"),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[Callback]:
        """Return callbacks with the rows that the page names."""
        return super().get_queryset(request).select_related("job", "round__crew")

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Let them be entered on the page of their job only, where the warranty is shown."""
        return False

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, and those of the buttons on the job page."""
        view = self.admin_site.admin_view
        return [
            path("rounds/", view(self.desk), name="jobs_callback_desk"),
            path("rounds/book/", view(self.book), name="jobs_callback_book"),
            path("rounds/<int:round_id>/free/", view(self.free), name="jobs_callback_free"),
            path("of/<int:job_id>/ask/", view(self.ask), name="jobs_callback_ask"),
            path("of/<int:job_id>/complete/", view(self.complete), name="jobs_callback_complete"),
            path("<int:callback_id>/done/", view(self.done), name="jobs_callback_done"),
            path("<int:callback_id>/reopen/", view(self.reopen), name="jobs_callback_reopen"),
            *super().get_urls(),
        ]

    @admin.display(description="visit")
    def visit(self, row: Callback) -> str:
        """Return the round it is in."""
        return visit_words(row)

    def desk(self, request: HttpRequest) -> HttpResponse:
        """Show the rounds that a crew could make of what is open."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        chosen = request.GET.get("crew", "")
        found = callback_rounds(
            crew_id=int(chosen) if chosen.isascii() and chosen.isdigit() else None,
            now=timezone.now(),
        )
        booked: dict[int, tuple[Any, list[Callback]]] = {}
        for row in found.booked:
            booked.setdefault(row.round_id, (row.round, []))[1].append(row)
        context = {
            **self.admin_site.each_context(request),
            "title": "Rounds of callbacks",
            "opts": self.opts,
            "found": found,
            "crews": Crew.objects.filter(is_active=True).order_by("name"),
            "rounds": [_shown(row) for row in found.proposed],
            "booked": sorted(booked.values(), key=lambda pair: pair[0].starts_at),
            "share": f"{SHARE_OF_WEEK:.0%}",
            "may_book": request.user.has_perm("jobs.change_job"),
        }
        return TemplateResponse(request, "admin/jobs/callback/desk.html", context)

    def book(self, request: HttpRequest) -> HttpResponse:
        """Set a crew's time aside for a round."""
        self._only_posted(request)
        form = RoundForm(request.POST)
        if not form.is_valid():
            for name, texts in form.errors.items():
                messages.error(request, f"{name.capitalize()}: {' '.join(texts)}")
            return redirect("admin:jobs_callback_desk")
        given = form.cleaned_data
        try:
            aside = callbacks.book_round(
                callback_ids=[row.pk for row in given["callback"]],
                crew_id=given["crew"].pk,
                day=given["day"],
                now=timezone.now(),
                by=request.user,
            )
        except SpecError as error:
            for fault in error.faults:
                messages.error(request, named(fault.field.capitalize(), fault).messages[0])
        else:
            told = f"{aside.crew} puts things right on {day(aside.starts_at)}"
            messages.success(request, f"{told}: {aside.note}.")
            plan_again(request, reason=told)
        return redirect("admin:jobs_callback_desk")

    def free(self, request: HttpRequest, round_id: int) -> HttpResponse:
        """Take a round back."""
        self._only_posted(request)
        number = callbacks.free_round(round_id=round_id, now=timezone.now(), by=request.user)
        if not number:
            raise Http404(f"No round {round_id}")
        messages.success(request, f"{count(number, 'callback')} to be booked again.")
        plan_again(request, reason="a round of callbacks is taken back")
        return redirect("admin:jobs_callback_desk")

    def _only_posted(self, request: HttpRequest) -> None:
        if not request.user.has_perm("jobs.change_job"):
            raise PermissionDenied
        if request.method != "POST":
            raise Http404

    def ask(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Enter something to put right."""
        job = self._posted(request, Job, job_id)
        form = AskForm(request.POST)
        if not form.is_valid():
            return self._refused(request, job, form)
        try:
            row = callbacks.ask_for(
                job=job, now=timezone.now(), by=request.user, **form.cleaned_data
            )
        except SpecError as error:
            return self._told(request, job, error)
        messages.success(request, f"{row.what}: promised by {day(row.promised_on)}.")
        return _to(job)

    def done(self, request: HttpRequest, callback_id: int) -> HttpResponse:
        """Note that something was put right."""
        row = self._posted(request, Callback, callback_id)
        form = DayForm(request.POST)
        if not form.is_valid():
            return self._refused(request, row.job, form)
        try:
            callbacks.finish(
                callback_id=row.pk,
                done_on=form.cleaned_data["day"],
                note=form.cleaned_data["note"],
                now=timezone.now(),
                by=request.user,
            )
        except SpecError as error:
            return self._told(request, row.job, error)
        messages.success(request, f"{row.what}: done. It can be opened again.")
        return _to(row.job)

    def reopen(self, request: HttpRequest, callback_id: int) -> HttpResponse:
        """Open something again that was noted as done."""
        row = self._posted(request, Callback, callback_id)
        callbacks.reopen(callback_id=row.pk, now=timezone.now(), by=request.user)
        messages.success(request, f"{row.what}: open again.")
        return _to(row.job)

    def complete(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Complete a job, which starts its warranty."""
        job = self._posted(request, Job, job_id)
        form = DayForm(request.POST)
        if not form.is_valid():
            return self._refused(request, job, form)
        completed_on = form.cleaned_data["day"]
        try:
            ends_on = callbacks.complete(
                job=job, completed_on=completed_on, now=timezone.now(), by=request.user
            )
        except SpecError as error:
            return self._told(request, job, error)
        opened = Callback.objects.filter(job=job, done_on=None).count()
        left = f" {count(opened, 'thing')} still to put right." if opened else ""
        messages.success(
            request,
            f"Job {job.number} is completed; workmanship is warranted to {day(ends_on)}.{left}",
        )
        return _to(job)

    def _posted(self, request: HttpRequest, model: Any, pk: int) -> Any:
        if not request.user.has_perm("jobs.change_job"):
            raise PermissionDenied
        row = model.objects.filter(pk=pk).first()
        if row is None or request.method != "POST":
            raise Http404
        return row

    def _refused(self, request: HttpRequest, job: Job, form: forms.Form) -> HttpResponseRedirect:
        for name, texts in form.errors.items():
            label = form[name].label if name in form.fields else ""
            for text in texts:
                messages.error(request, f"{label} {form.data.get(name, '')}: {text}")
        return _to(job)

    def _told(self, request: HttpRequest, job: Job, error: SpecError) -> HttpResponseRedirect:
        for fault in error.faults:
            label = fault.field.removesuffix("_on").replace("_", " ")
            messages.error(request, named(label.capitalize(), fault).messages[0])
        return _to(job)


def _shown(row: ProposedRound) -> dict[str, Any]:
    """Return a proposed round with what it saves in words."""
    minutes = round(row.round.drive_hours_saved * 60)
    return {
        "round": row.round,
        "callbacks": row.callbacks,
        "saved": f"{minutes} minutes" if minutes else "",
        "is_free": row.is_free,
    }


def visit_words(row: Callback) -> str:
    """Return the crew and day of the round that a callback is in."""
    if row.round is None:
        return "not booked"
    return f"{day(row.round.starts_at)}, {row.round.crew}"


def _to(job: Job) -> HttpResponseRedirect:
    return redirect(reverse("admin:jobs_job_change", args=[job.pk]) + "#put-right")
