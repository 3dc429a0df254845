"""The seller's page: when a building that is not sold yet could start and finish."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from django import forms
from django.utils import timezone

from contractor.trade.building import Building, Foundation, Lining, Opening, OpeningKind, Soil, Use
from contractor.trade.checks import OPENING_LIMITS, SIZE_LIMITS
from contractor.trade.errors import SpecError
from crews.models import farthest_day
from crews.selectors import NoFirm, firm
from inspections.models import Authority
from jobs.admin.start_date_cards import card, draws_of
from jobs.admin.words import day
from jobs.services.plan_making import TooFarAheadError
from jobs.services.start_date_options import (
    LIGHT_LINER_SPAN_FT,
    OPTIONS,
    WIDE_LINER_GAUGE,
    options_for,
)
from jobs.services.start_dates import ask
from jobs.services.unsold_jobs import LONGEST_DRIVE_MINUTES, MOST_PERMIT_DAYS, Site

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime

    from django.http import QueryDict

    from contractor.trade.errors import Caution, Fault
    from contractor.trade.labeled import Labeled

# What buyers ask about most often; common practice, no source.
USUAL_OPTIONS = ["PRECAST_PIERS", "POURED_PIERS", "TRUSSES_4_FT", "STEEL_LINER", "ONE_DOOR_MORE"]
FIELD_OF = {
    "wall_lining": "lining",
    "ceiling_lining": "lining",
    "liner_gauge": "lining",
    "openings": "overhead_doors",
}
DOOR_LIMITS = OPENING_LIMITS[OpeningKind.OVERHEAD_DOOR]
USUAL_SLAB_IN = 4
LIGHT_LINER_GAUGE = 29


def _choices(kind: type[Labeled]) -> list[tuple[str, str]]:
    return [(choice.value, choice.label) for choice in kind]


def _number(label: str, initial: float, limits: tuple[float, float, str]) -> forms.FloatField:
    """Return a number field that a phone shows its number keys for."""
    least, most, _ = limits
    return forms.FloatField(
        label=label,
        initial=initial,
        min_value=least,
        max_value=most,
        widget=forms.NumberInput(attrs={"inputmode": "decimal", "step": "any"}),
    )


def _day_field(label: str) -> forms.DateField:
    return forms.DateField(
        label=label,
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )


class StartDatesForm(forms.Form):
    """A building as a seller asks for it. It is asked by GET, as nothing is stored by it."""

    use = forms.ChoiceField(label="Use", choices=_choices(Use), initial=Use.SHOP.value)
    width_ft = _number("Width (ft)", 30, SIZE_LIMITS["width_ft"])
    length_ft = _number("Length (ft)", 40, SIZE_LIMITS["length_ft"])
    eave_ft = _number("Eave height (ft)", 12, SIZE_LIMITS["eave_ft"])
    foundation = forms.ChoiceField(
        label="Foundation",
        choices=_choices(Foundation),
        initial=Foundation.PRECAST_PIER.value,
    )
    truss_spacing_ft = forms.TypedChoiceField(
        label="Trusses",
        choices=[("8", "8 ft apart"), ("4", "4 ft apart"), ("2", "2 ft apart")],
        coerce=float,
    )
    lining = forms.ChoiceField(label="Inside", choices=_choices(Lining), initial="NONE")
    overhead_doors = forms.IntegerField(
        label="Overhead doors", initial=1, min_value=0, max_value=12
    )
    door_width_ft = _number("Door width (ft)", 10, DOOR_LIMITS["width_ft"])
    door_height_ft = _number("Door height (ft)", 9, DOOR_LIMITS["height_ft"])
    walk_doors = forms.IntegerField(label="Walk doors", initial=1, min_value=0, max_value=12)
    soil = forms.ChoiceField(label="Soil", choices=_choices(Soil), initial=Soil.GOOD.value)
    authority = forms.ModelChoiceField(
        Authority.objects.order_by("name"),
        label="Authority",
        required=False,
        empty_label="No permit needed (exempt)",
    )
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
    earliest_start_on = _day_field("Not before")
    wanted_on = _day_field("Wanted by")
    options = forms.MultipleChoiceField(
        label="Compare with",
        choices=[(option.code, option.label) for option in OPTIONS],
        widget=forms.CheckboxSelectMultiple,
        required=False,
        initial=USUAL_OPTIONS,
    )

    def __init__(self, params: QueryDict) -> None:
        super().__init__(params if params else None)
        first = Authority.objects.order_by("name").first()
        self.initial["authority"] = first and first.pk
        self.building: Building | None = None

    def clean_earliest_start_on(self) -> date | None:
        """Refuse a day that has passed or lies too far ahead."""
        return self._day_ahead("earliest_start_on")

    def clean_wanted_on(self) -> date | None:
        """Refuse a day that has passed or lies too far ahead."""
        return self._day_ahead("wanted_on")

    def clean(self) -> dict[str, Any]:
        """Refuse what cannot be built, at the field that makes it so."""
        given = super().clean() or self.cleaned_data
        if not self.errors:
            try:
                self.building = _building(given)
            except SpecError as error:
                for fault in error.faults:
                    self.add_error(_field_of(fault), str(fault))
        return given

    def _day_ahead(self, name: str) -> date | None:
        value: date | None = self.cleaned_data[name]
        today = timezone.localdate()
        if value is not None and not today <= value <= farthest_day() - timedelta(days=1):
            raise forms.ValidationError(f"Enter {today} or later, within five years.")
        return value


def start_dates_context(params: QueryDict, *, now: datetime) -> dict[str, Any]:
    """Return what the page shows: the form and, where it is filled, an answer for each option."""
    form = StartDatesForm(params)
    shown = form.building if form.is_valid() else None
    return {"form": form, **answer_context(form, shown, now=now)}


def answer_context(form: forms.Form, building: Building | None, *, now: datetime) -> dict[str, Any]:
    """Return what a page shows of the answer for a building, if the form gives one."""
    cards, cautions, draws = [], (), ""
    if building is not None:
        try:
            answer = ask(
                building=building,
                site=site_of(form.cleaned_data),
                options=_options(building, form.cleaned_data["options"]),
                now=now,
                wanted_on=form.cleaned_data["wanted_on"],
            )
        except (TooFarAheadError, NoFirm) as reason:
            form.add_error(None, str(reason))
        else:
            draws, cautions = draws_of(answer), building.cautions()
            cards = [card(row, answer.wanted_on) for row in answer.options]
    return {
        "cards": cards,
        "draws": draws,
        "cautions": _words_of(cautions),
        "asked_on": day(timezone.localdate(now)),
    }


def _words_of(cautions: Iterable[Caution]) -> list[str]:
    return [caution.message for caution in cautions]


def _options(building: Building, codes: list[str]) -> list[Any]:
    return [option for option in options_for(building) if option.code in codes]


def _building(given: dict[str, Any]) -> Building:
    wide = given["truss_spacing_ft"] > LIGHT_LINER_SPAN_FT
    is_slab = given["foundation"] == Foundation.SLAB_BRACKET.value
    openings = [
        Opening(kind=kind, width_ft=width_ft, height_ft=height_ft, count=number)
        for number, kind, width_ft, height_ft in (
            (
                given["overhead_doors"],
                OpeningKind.OVERHEAD_DOOR,
                given["door_width_ft"],
                given["door_height_ft"],
            ),
            (given["walk_doors"], OpeningKind.WALK_DOOR, 3, 7),
        )
        if number
    ]
    return Building(
        use=given["use"],
        width_ft=given["width_ft"],
        length_ft=given["length_ft"],
        eave_ft=given["eave_ft"],
        foundation=given["foundation"],
        slab_in=USUAL_SLAB_IN if is_slab else 0,
        truss_spacing_ft=given["truss_spacing_ft"],
        wall_lining=given["lining"],
        ceiling_lining=given["lining"],
        liner_gauge=WIDE_LINER_GAUGE if wide else LIGHT_LINER_GAUGE,
        soil=given["soil"],
        openings=tuple(openings),
    )


def _field_of(fault: Fault) -> str | None:
    name = fault.field.partition("[")[0]
    name = FIELD_OF.get(name, name)
    return name if name in StartDatesForm.base_fields else None


def site_of(given: dict[str, Any]) -> Site:
    """Return where a building would stand, by the authority, else by the firm's own county."""
    authority = given["authority"]
    where = firm() if authority is None else authority
    return Site(
        county=where.county,
        state=where.state,
        drive_minutes=given["drive_minutes"],
        authority=authority,
        permit_days=given["permit_days"],
        earliest_start_on=given["earliest_start_on"],
    )
