"""The short way in: a building described in a dozen fields, or like an older job, then signed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.utils import timezone

from contractor.trade.errors import SpecError
from crews.models import STATE_CODE
from crews.selectors import NoFirm, firm
from inspections.models import Authority
from jobs.admin.start_dates import StartDatesForm, answer_context
from jobs.forms import named
from jobs.models import Job
from jobs.models.job import NUMBER
from jobs.selectors.buildings import building_of
from jobs.services.signing import Contract, next_number, sign
from jobs.services.start_date_options import OPTIONS
from jobs.services.unsold_jobs import LONGEST_DRIVE_MINUTES, MOST_PERMIT_DAYS

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User
    from django.http import QueryDict

    from contractor.trade.building import Building

# Where a fault of the job's row is shown, where this page has it under another name.
SHOWN_AT = {"promised_on": "wanted_on"}
OF_CONTRACT = (
    *("number", "buyer_name", "buyer_phone", "buyer_email"),
    *("site_address", "site_town", "site_county", "site_state"),
    "contract_value_usd",
)


class ContractFields(forms.Form):
    """Buyer, site and price: what every contract has, whatever is built."""

    number = forms.CharField(label="Job number", max_length=20, validators=[NUMBER])
    buyer_name = forms.CharField(label="Buyer", max_length=80)
    buyer_phone = forms.CharField(
        label="Phone", max_length=30, required=False, widget=forms.TextInput(attrs={"type": "tel"})
    )
    buyer_email = forms.EmailField(label="E-mail", required=False)
    site_address = forms.CharField(label="Site address", max_length=120)
    site_town = forms.CharField(label="Town", max_length=60)
    site_county = forms.CharField(
        label="County", max_length=60, required=False, help_text="Empty is the authority's county."
    )
    site_state = forms.CharField(
        label="State", max_length=2, required=False, validators=[STATE_CODE]
    )
    contract_value_usd = forms.DecimalField(
        label="Contract (USD)", max_digits=10, decimal_places=2, min_value=0
    )

    def clean_number(self) -> str:
        """Refuse a number that another job carries."""
        number: str = self.cleaned_data["number"]
        if Job.objects.filter(number=number).exists():
            raise forms.ValidationError(
                f"{number}: another job has this number. Enter the next free one, "
                f"{next_number(now=timezone.now())}."
            )
        return number


class IntakeForm(ContractFields, StartDatesForm):
    """A building as a seller describes it, with its contract."""

    is_exempt = forms.BooleanField(
        label="No permit needed (exempt)", required=False, help_text="As some farm buildings are."
    )

    def __init__(self, data: QueryDict | None, *, now: datetime) -> None:
        super().__init__(data)  # type: ignore[arg-type]
        _prepare(self, now)


class CopyForm(ContractFields):
    """The contract of a building that is like an older job's."""

    authority = forms.ModelChoiceField(Authority.objects.order_by("name"), label="Authority")
    is_exempt = forms.BooleanField(label="No permit needed (exempt)", required=False)
    permit_days = forms.IntegerField(
        label="Days to the permit",
        initial=21,
        min_value=0,
        max_value=MOST_PERMIT_DAYS,
        help_text="0 when it is in hand.",
    )
    drive_minutes = forms.IntegerField(
        label="Drive (minutes)", initial=30, min_value=0, max_value=LONGEST_DRIVE_MINUTES
    )
    earliest_start_on = forms.DateField(
        label="Not before", required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    wanted_on = forms.DateField(
        label="Promised by", required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    options = forms.MultipleChoiceField(
        label="Compare with",
        choices=[(option.code, option.label) for option in OPTIONS],
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )

    def __init__(self, data: QueryDict | None, *, source: Job, now: datetime) -> None:
        super().__init__(data)
        _prepare(self, now)
        permit = getattr(source, "permit", None)
        self.initial |= {
            "authority": permit and permit.authority_id,
            "is_exempt": bool(permit and permit.is_exempt),
            "drive_minutes": source.drive_minutes,
            "site_county": source.site_county,
            "site_state": source.site_state,
        }
        self.building: Building | None = None
        self._source = source

    def clean(self) -> dict[str, Any]:
        """Read the building of the older job."""
        given = super().clean() or self.cleaned_data
        try:
            self.building = building_of(self._source)
        except SpecError as error:
            self.add_error(None, f"Job {self._source.number} cannot be built as stored: {error}")
        return given


def _prepare(form: forms.Form, now: datetime) -> None:
    if not form.is_bound:  # else the page would scroll away from its answer
        form.fields["buyer_name"].widget.attrs["autofocus"] = True
    form.initial["number"] = next_number(now=now)
    form.fields["wanted_on"].label = "Promised by"
    form.fields["authority"].required = True
    form.fields["authority"].empty_label = None  # type: ignore[attr-defined]
    form.fields["authority"].help_text = "Who inspects there."
    form.fields["options"].label = "Show what these would do"


GROUPS = (
    ("Contract", (*OF_CONTRACT, "wanted_on", "earliest_start_on")),
    ("Site", ("authority", "is_exempt", "permit_days", "drive_minutes", "soil")),
    (
        "Building",
        (
            *("use", "width_ft", "length_ft", "eave_ft", "foundation", "truss_spacing_ft"),
            *("lining", "overhead_doors", "door_width_ft", "door_height_ft", "walk_doors"),
        ),
    ),
    ("Options", ("options",)),
)


def grouped(form: forms.Form) -> list[tuple[str, list[forms.BoundField]]]:
    """Return the fields of a form by what they are about."""
    groups = [(title, [form[n] for n in names if n in form.fields]) for title, names in GROUPS]
    return [(title, fields) for title, fields in groups if fields]


def intake_context(form: IntakeForm | CopyForm, *, now: datetime) -> dict[str, Any]:
    """Return the form with what each option does to hours and dates; nothing is stored."""
    # Dates can be told before the contract is written.
    needed = [form.fields[name] for name in OF_CONTRACT if form.fields[name].required]
    for field in needed:
        field.required = False
    building = form.building if form.is_valid() else None
    for field in needed:
        field.required = True
    if building is not None and form.cleaned_data.get("is_exempt"):
        form.cleaned_data["authority"] = None
    found = answer_context(form, building, now=now)
    return {"form": form, **found}


def sign_described(form: IntakeForm | CopyForm, *, now: datetime, by: User) -> Job | None:
    """Return the stored job, or None with what is wrong shown at the form's fields."""
    if not form.is_valid() or form.building is None:
        return None
    given = form.cleaned_data
    try:
        return sign(building=form.building, contract=_contract(given), now=now, by=by)
    except NoFirm as reason:
        form.add_error(None, str(reason))
    except SpecError as error:
        for fault in error.faults:
            name = SHOWN_AT.get(fault.field, fault.field)
            field = name if name in form.fields else None
            form.add_error(field, named(str(form[name].label) if field else name, fault))
    return None


def _contract(given: dict[str, Any]) -> Contract:
    where = given["authority"] or firm()
    return Contract(
        number=given["number"],
        buyer_name=given["buyer_name"],
        buyer_phone=given["buyer_phone"],
        buyer_email=given["buyer_email"],
        site_address=given["site_address"],
        site_town=given["site_town"],
        site_county=given["site_county"] or where.county,
        site_state=given["site_state"] or where.state,
        contract_value_usd=given["contract_value_usd"],
        authority=given["authority"],
        is_exempt=given["is_exempt"],
        permit_days=given["permit_days"],
        drive_minutes=given["drive_minutes"],
        promised_on=given["wanted_on"],
        earliest_start_on=given["earliest_start_on"],
    )
