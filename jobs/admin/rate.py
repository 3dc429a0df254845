"""The firm's own labor rates beside the starter values."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone

from contractor.trade.rates import STARTER_RATES
from jobs.admin.learning import answer, learning_context
from jobs.admin.recording import RecordsChanges
from jobs.forms import NamedErrors
from jobs.models import LaborRate


class LaborRateForm(NamedErrors):
    """A rate chosen by what it is for."""

    code = forms.ChoiceField(
        label="Work",
        choices=lambda: [
            (rate.code, f"{rate.label}: {rate.typical:g} h per {rate.unit}")
            for rate in STARTER_RATES.values()
        ],
        help_text="With the starter value, which holds until you enter your own.",
    )

    class Meta:
        model = LaborRate
        fields = ("code", "hours_per_unit", "note")


@admin.register(LaborRate)
class LaborRateAdmin(RecordsChanges):
    """Rates that the firm has of its own; all others are starter values."""

    form = LaborRateForm
    list_display = ("work", "hours_per_unit", "unit", "starter", "range", "note")
    search_fields = ("code", "note")
    ordering = ("code",)

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses and the page of learning."""
        view = self.admin_site.admin_view(self.learning)
        return [path("learning/", view, name="jobs_laborrate_learning"), *super().get_urls()]

    def learning(self, request: HttpRequest) -> HttpResponse:
        """Show what finished work has taught; by POST, leave some out or take it back."""
        may_change = request.user.has_perm("jobs.add_leftoutwork")
        if not self.has_view_permission(request) or (request.method == "POST" and not may_change):
            raise PermissionDenied
        now = timezone.now()
        if request.method == "POST":
            return answer(request, now=now)
        context = {
            **self.admin_site.each_context(request),
            "title": "What finished work has taught",
            "opts": self.opts,
            "may_change": may_change,
            **learning_context(now=now),
        }
        return TemplateResponse(request, "admin/jobs/laborrate/learning.html", context)

    def get_readonly_fields(self, request: Any, obj: LaborRate | None = None) -> tuple[str, ...]:
        """Keep the work of a stored rate: another work is another rate."""
        return () if obj is None else ("work",)

    def get_fields(self, request: Any, obj: LaborRate | None = None) -> tuple[str, ...]:
        """Return the work as words once it is stored."""
        return ("code" if obj is None else "work", "hours_per_unit", "note")

    @admin.display(description="work", ordering="code")
    def work(self, rate: LaborRate) -> str:
        """Return what the rate is for."""
        starter = STARTER_RATES.get(rate.code)
        return starter.label if starter else f"{rate.code} (no longer used)"

    @admin.display(description="hours per")
    def unit(self, rate: LaborRate) -> str:
        """Return the unit."""
        starter = STARTER_RATES.get(rate.code)
        return starter.unit if starter else "–"

    @admin.display(description="starter value")
    def starter(self, rate: LaborRate) -> str:
        """Return the starter value, for comparison."""
        starter = STARTER_RATES.get(rate.code)
        return f"{starter.typical:g}" if starter else "–"

    @admin.display(description="fast to slow crews")
    def range(self, rate: LaborRate) -> str:
        """Return the starter range, so that a slip of the decimal point is seen."""
        starter = STARTER_RATES.get(rate.code)
        return f"{starter.low:g} to {starter.high:g}" if starter else "–"
