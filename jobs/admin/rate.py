"""The firm's own labor rates beside the starter values."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin

from contractor.trade.rates import STARTER_RATES
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
