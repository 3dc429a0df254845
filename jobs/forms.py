"""Forms of the office: every refusal names the field, the value and the remedy."""

from __future__ import annotations

import re
from copy import copy
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.forms.models import BaseInlineFormSet, inlineformset_factory
from django.utils import timezone

from contractor.trade.errors import Fault, SpecError, value_text
from contractor.trade.phases import PHASE_TABLE, Performer
from crews.models import Crew
from jobs.models import FieldReport, Job, LeanTo, Opening, Phase
from jobs.services import intake

# "openings[1].height_ft": which row of which list a fault is about.
IN_LIST = re.compile(r"^(?P<rows>openings|lean_tos)\[(?P<index>\d+)\](?:\.(?P<field>\w+))?$")
WHOLE_LISTS = {"openings": "Doors and windows:", "lean_tos": "Lean-tos:"}

PLAIN_MESSAGES: dict[type[forms.Field], dict[str, str]] = {
    forms.FloatField: {"invalid": "This is not a number. Write digits, like 8 or 7.5."},
    forms.DecimalField: {"invalid": "This is not a number. Write digits, like 48500."},
    forms.IntegerField: {"invalid": "This is not a whole number. Write digits, like 3."},
    forms.DateField: {"invalid": "This is not a date. Write it like 2026-06-01."},
    forms.TimeField: {"invalid": "This is not a time. Write it like 16:00."},
    forms.EmailField: {"invalid": "This is not an e-mail address. Write name@place.com."},
    forms.ModelChoiceField: {"invalid_choice": "There is no such entry. Choose one from the list."},
}


# Days and moments on which something happened. A plan takes them as facts: a permit "issued"
# next month would open the site today.
HAPPENED = frozenset(
    (
        *("applied_on", "issued_on", "ordered_on", "arrived_on", "called_on", "completed_on"),
        *("confirmed_on", "marks_seen_on", "checked_on"),
        *("requested_at", "started_at", "done_at", "viewed_at"),
        *("poured_at", "taken_at", "taken_on"),
    )
)


class NamedErrors(forms.ModelForm):
    """A form whose field errors start with the field's name and the value that was entered."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            for kind, messages in PLAIN_MESSAGES.items():
                # IntegerField is the parent of the other numbers: the exact class counts.
                if type(field) is kind:
                    field.error_messages.update(messages)

    def clean(self) -> dict[str, Any]:
        """Refuse what is said to have happened and is still to come."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        for name in self.fields.keys() & HAPPENED:
            when = cleaned.get(name)
            is_moment = isinstance(when, datetime)
            if when and when > (timezone.now() if is_moment else timezone.localdate()):
                latest = "a time that has passed" if is_moment else "today or an earlier day"
                self.add_error(name, f"This is still to come. Enter {latest}, or nothing yet.")
        return cleaned

    def add_error(self, field: str | None, error: Any) -> None:
        """Name the field and its value in front of each message about it."""
        if not isinstance(error, ValidationError):
            error = ValidationError(error)
        if hasattr(error, "error_dict"):
            for name, errors in error.error_dict.items():
                self.add_error(None if name == NON_FIELD_ERRORS else name, ValidationError(errors))
            return
        if field is not None and field in self.fields:
            error = ValidationError([self._named(field, single) for single in error.error_list])
        super().add_error(field, error)

    def _named(self, field: str, error: ValidationError) -> ValidationError:
        (message,) = error.messages
        entered = self[field].data
        if error.code in ("required", "named") or entered in (None, ""):
            return ValidationError(message, code=error.code)
        return ValidationError(f"{self[field].label} {entered}: {message}", code=error.code)


def named(label: str, fault: Fault) -> ValidationError:
    """Return a fault as an error that people read: label, value, what is wrong, the remedy."""
    text = f"{label} {value_text(fault.value)}: {fault.message}. {fault.remedy}"
    return ValidationError(text, code="named")


class RowForm(NamedErrors):
    """One door, window or lean-to."""


class DeliveryForm(NamedErrors):
    """Material that a phase waits for: ordered first, then promised and arrived."""

    def clean(self) -> dict[str, Any]:
        """Refuse material that comes before it is ordered."""
        cleaned = super().clean()
        ordered = cleaned.get("ordered_on")
        for name in ("promised_on", "arrived_on"):
            comes = cleaned.get(name)
            if ordered and comes and comes < ordered:
                self.add_error(
                    name,
                    f"This is before the order of {ordered}. Enter {ordered} or later, "
                    "or correct the day of the order.",
                )
        return cleaned


class PhaseForm(NamedErrors):
    """What happened on a phase."""

    def clean(self) -> dict[str, Any]:
        """Refuse work that is done in part and not begun, or under way with nobody on it."""
        cleaned = super().clean()
        status = cleaned.get("status")
        if status == Phase.Status.OPEN and (cleaned.get("share_done") or cleaned.get("started_at")):
            self.add_error(
                "status",
                "A start or a share done is given. Choose Under way, or take them out.",
            )
        performer = PHASE_TABLE[self.instance.code].performer
        by_crew = performer is Performer.CREW
        if status == Phase.Status.UNDER_WAY and by_crew and not cleaned.get("crew"):
            self.add_error("crew", "Work under way has a crew on it. Choose the crew.")
        return cleaned


class LabeledRows(BaseInlineFormSet):
    """Rows of a table whose fields say what they are to those who cannot see its head."""

    def add_fields(self, form: forms.ModelForm, index: int | None) -> None:
        """Add the fields of a row, each with its own label."""
        super().add_fields(form, index)
        for name, field in form.fields.items():
            label = "Take this row away" if name == "DELETE" else field.label or name
            for widget in (field.widget, getattr(field.widget, "widget", None)):
                if widget is not None and not widget.is_hidden:
                    widget.attrs.setdefault("aria-label", str(label))


class BuildingRows(LabeledRows):
    """Doors or lean-tos: the faults that the job's form found are shown at their rows."""

    rows = ""

    def clean(self) -> None:
        """Put each fault of the whole building on the row and field it is about."""
        super().clean()
        for fault in getattr(self.instance, "building_faults", ()):
            match = IN_LIST.match(fault.field)
            if match and match["rows"] == self.rows:
                form = kept(self)[int(match["index"])]
                field = match["field"] if match["field"] in form.fields else None
                if field is None or field not in form.errors:
                    label = str(form[field].label) if field else str(form.instance)
                    form.add_error(field, named(label, fault))


class OpeningRows(BuildingRows):
    """The doors and windows of a job."""

    rows = "openings"


class LeanToRows(BuildingRows):
    """The lean-tos of a job."""

    rows = "lean_tos"


def kept(formset: BaseInlineFormSet) -> list[forms.ModelForm]:
    """Return the forms of a formset that will be rows: filled in and not ticked for deletion."""
    return [
        form
        for form in formset.initial_forms + [f for f in formset.extra_forms if f.has_changed()]
        if not formset._should_delete_form(form)
    ]


OpeningFormSet = inlineformset_factory(
    Job, Opening, form=RowForm, formset=OpeningRows, fields="__all__", extra=0
)
LeanToFormSet = inlineformset_factory(
    Job, LeanTo, form=RowForm, formset=LeanToRows, fields="__all__", extra=0
)


class JobForm(NamedErrors):
    """A job with its building, checked as a whole with the doors and lean-tos sent along."""

    class Meta:
        model = Job
        exclude: tuple[str, ...] = ()

    def clean_number(self) -> str:
        """Refuse a number that another job carries."""
        number: str = self.cleaned_data["number"]
        if Job.objects.filter(number=number).exclude(pk=self.instance.pk).exists():
            raise ValidationError(
                "Another job has this number. Enter the next free one.", code="unique"
            )
        return number

    def clean(self) -> dict[str, Any]:
        """Check what only makes sense together, and leave row faults for the rows to show."""
        cleaned = super().clean() or self.cleaned_data
        openings, lean_tos = self._rows(OpeningFormSet), self._rows(LeanToFormSet)
        try:
            intake.check(
                job=self._job_as_entered(cleaned),
                openings=openings,
                lean_tos=lean_tos,
                today=timezone.localdate(),
                is_new=self.instance._state.adding,
            )
        except SpecError as error:
            self.instance.building_faults = error.faults
            self._show(error.faults)
        return cleaned

    def _job_as_entered(self, cleaned: dict[str, Any]) -> Job:
        """Return a copy of the job with the entered values; the row itself is left alone."""
        entered = copy(self.instance)
        columns = {field.attname for field in Job._meta.concrete_fields}
        for name in columns & self.fields.keys():
            setattr(entered, name, cleaned.get(name))
        return entered

    def _rows(self, formset_class: type[BaseInlineFormSet]) -> list[Any]:
        """Return the rows of one inline as entered; what is not valid there is left empty."""
        formset = formset_class(self.data, instance=self.instance)
        if not formset.management_form.is_valid():
            return []
        for form in formset.forms:
            form.full_clean()
        rows = []
        for form in kept(formset):
            row = form._meta.model()
            for name, value in getattr(form, "cleaned_data", {}).items():
                if name not in ("id", "job", "DELETE"):
                    setattr(row, name, value)
            rows.append(row)
        return rows

    def _show(self, faults: tuple[Fault, ...]) -> None:
        in_rows = False
        for fault in faults:
            if fault.field in self.fields:
                if fault.field not in self.errors:
                    self.add_error(fault.field, named(str(self[fault.field].label), fault))
            elif IN_LIST.match(fault.field):
                in_rows = True
            else:
                self.add_error(None, named(WHOLE_LISTS.get(fault.field, fault.field), fault))
        if in_rows:
            self.add_error(None, "Look at the doors, windows and lean-tos below.")


class PinForm(forms.Form):
    """Which crew a phase is pinned to, and from when."""

    crew = forms.ModelChoiceField(
        queryset=Crew.objects.none(), required=False, empty_label="Any crew that can do it"
    )
    starts_at = forms.DateTimeField(
        label="Start",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Site time, on a quarter hour.",
    )

    def __init__(self, *args: Any, phase: Phase, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["crew"].queryset = Crew.objects.filter(is_active=True).order_by("name")
        self.initial.setdefault("crew", phase.pinned_crew_id)
        self.initial.setdefault("starts_at", phase.pinned_start_at)

    def clean_starts_at(self) -> datetime:
        """Refuse a start between quarter hours: the plan counts in them."""
        start: datetime = self.cleaned_data["starts_at"]
        if start.minute % 15 or start.second:
            raise ValidationError(
                f"{start:%H:%M} is not on a quarter hour. Use :00, :15, :30 or :45."
            )
        return start


class ReportForm(forms.Form):
    """What the office reports of a phase, or a report as it should have been."""

    kind = forms.ChoiceField(label="It says")
    happened_at = forms.DateTimeField(
        label="When it happened",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        required=False,
        help_text="Site time; empty is now.",
    )
    crew = forms.ModelChoiceField(queryset=Crew.objects.none(), required=False)
    share_done = forms.FloatField(required=False, help_text="Of the whole phase, 0 to 1.")
    crew_hours = forms.FloatField(
        label="Hours of all people", required=False, help_text="Since the report before."
    )
    people = forms.IntegerField(required=False, help_text="How many were on the site.")
    stopped_by = forms.ChoiceField(
        label="Cause", required=False, help_text="Of a stop; with a note, why a promise was missed."
    )
    stopped_until = forms.DateTimeField(
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        required=False,
        help_text="When work is to go on; empty is not known.",
    )
    note = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), required=False)

    def __init__(self, *args: Any, is_correction: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        corrected = FieldReport._meta.get_field("corrected_kind").choices
        kinds = corrected if is_correction else corrected[:-1]
        self.fields["kind"].choices = kinds
        causes = FieldReport._meta.get_field("stopped_by").choices
        self.fields["stopped_by"].choices = [("", "–"), *causes]
        self.fields["crew"].queryset = Crew.objects.order_by("name")

    def stated(self) -> dict[str, Any]:
        """Return what was entered, as the service takes it; it is made now."""
        crew = self.cleaned_data["crew"]
        named = ("kind", "happened_at", "share_done", "crew_hours", "people")
        told = ("stopped_by", "stopped_until", "note")
        return {
            **{name: self.cleaned_data[name] for name in (*named, *told)},
            "crew_id": crew.pk if crew else None,
            "made_at": timezone.now(),
        }

    def show(self, faults: tuple[Fault, ...]) -> None:
        """Show what the service refused at the fields it is about."""
        for fault in faults:
            name = {"corrected_kind": "kind"}.get(fault.field, fault.field)
            field = name if name in self.fields else None
            label = str(self[field].label) if field else fault.field
            self.add_error(field, named(label, fault))
