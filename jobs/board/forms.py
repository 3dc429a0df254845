"""The moves of the board as people enter them; each form gives the move it stands for."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.utils import timezone

from crews.models import Crew, Equipment
from jobs.models import Job, Phase, SetAside
from jobs.services import moves

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, time

    from jobs.services.moves import Move


class Day(forms.DateField):
    """A day, by the browser's own calendar."""

    widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})


class Clock(forms.TimeField):
    """A time of day at the site."""

    widget = forms.TimeInput(format="%H:%M", attrs={"type": "time", "step": 900})


def _crew(label: str = "Crew", *, required: bool = True, empty: str = "–") -> Any:
    return forms.ModelChoiceField(
        Crew.objects.filter(is_active=True).order_by("name"),
        label=label,
        required=required,
        empty_label=empty,
    )


class MoveForm(forms.Form):
    """What all moves share: `kind` names the form."""

    kind: ClassVar[str]

    def move(self) -> Move:
        """Return the move; the form must be valid."""
        raise NotImplementedError


class _OfPhase(MoveForm):
    phase = forms.ModelChoiceField(
        Phase.objects.select_related("job"), widget=forms.HiddenInput, required=True
    )


class ToCrewAndDay(_OfPhase):
    """A phase to a crew and a day, at a time or at the first that works."""

    kind = "MOVE"
    crew = _crew(required=False, empty="whichever is best")
    day = Day()
    at = Clock(required=False, label="Time", help_text="Empty: the first that works.")

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        at = _moment(data["day"], data["at"]) if data["at"] else None
        crew = data["crew"].pk if data["crew"] else None
        return moves.MovePhase(
            phase_id=data["phase"].pk,
            crew_id=crew,
            day=None if at else data["day"],
            starts_at=at,
        )


class Free(_OfPhase):
    """A pin taken off."""

    kind = "FREE"

    def move(self) -> Move:
        """Return the move."""
        return moves.FreePhase(self.cleaned_data["phase"].pk)


class Split(_OfPhase):
    """A phase under way that stops, and goes on another day."""

    kind = "SPLIT"
    day = Day(label="Goes on")
    at = Clock(label="Time", initial="07:00")

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        return moves.SplitPhase(data["phase"].pk, _moment(data["day"], data["at"]))


class SplitFirst(_OfPhase):
    """A phase that has not begun: a share of it where it is, and the rest on another day."""

    kind = "SPLIT_FIRST"
    percent = forms.IntegerField(
        min_value=10, max_value=90, initial=50, label="Percent to do first, where it is now"
    )
    day = Day(label="The rest goes on")
    at = Clock(required=False, label="Time", help_text="Empty: the first that works.")
    crew = _crew("Crew of the rest", required=False, empty="the same")

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        at = _moment(data["day"], data["at"]) if data["at"] else None
        return moves.SplitAhead(
            phase_id=data["phase"].pk,
            share_first=data["percent"] / 100,
            crew_id=data["crew"].pk if data["crew"] else None,
            day=None if at else data["day"],
            starts_at=at,
        )


class Join(_OfPhase):
    """The parts of a phase put together again."""

    kind = "JOIN"

    def move(self) -> Move:
        """Return the move."""
        return moves.JoinParts(self.cleaned_data["phase"].pk)


class _Days(MoveForm):
    first_day = Day()
    last_day = Day()

    def clean(self) -> dict[str, Any]:
        """Refuse days in the wrong order."""
        data = super().clean() or {}
        first, last = data.get("first_day"), data.get("last_day")
        if first and last and last < first:
            self.add_error("last_day", "The last day is before the first day. Swap them.")
        return data


class Swap(_Days):
    """Two crews change places for some days."""

    kind = "SWAP"
    first_crew = _crew("One crew")
    second_crew = _crew("The other crew")
    field_order = ("first_crew", "second_crew", "first_day", "last_day")

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        crews = (data["first_crew"].pk, data["second_crew"].pk)
        return moves.SwapCrews(*crews, data["first_day"], data["last_day"])


class Lend(_Days):
    """People of one crew work with another for some days."""

    kind = "LEND"
    from_crew = _crew("From crew")
    to_crew = _crew("To crew")
    people = forms.IntegerField(min_value=1, max_value=19, initial=1)
    note = forms.CharField(max_length=120, required=False, label="Who, or why")
    field_order = ("people", "from_crew", "to_crew", "first_day", "last_day", "note")

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        return moves.LendPeople(
            from_crew_id=data["from_crew"].pk,
            to_crew_id=data["to_crew"].pk,
            first_day=data["first_day"],
            last_day=data["last_day"],
            people=data["people"],
            note=data["note"],
        )


class Aside(MoveForm):
    """A crew's time kept for a shop day, a callback visit or other work."""

    kind = "ASIDE"
    what = forms.ChoiceField(choices=SetAside.Kind.choices)
    crew = _crew()
    day = Day()
    begins = Clock(label="From", initial="07:00")
    ends = Clock(label="Until", initial="15:30")
    job = forms.CharField(max_length=20, required=False, label="Job number, for a callback")
    note = forms.CharField(max_length=120, required=False)

    def clean_job(self) -> Job | None:
        """Return the job of that number."""
        number = self.cleaned_data["job"].strip()
        if not number:
            return None
        job = Job.objects.filter(number=number).first()
        if job is None:
            raise forms.ValidationError(
                f"No job has the number {number}. Enter it as on its page, or leave it empty."
            )
        return job

    def clean(self) -> dict[str, Any]:
        """Refuse times in the wrong order."""
        data = super().clean() or {}
        begins, ends = data.get("begins"), data.get("ends")
        if begins and ends and ends <= begins:
            self.add_error("ends", "It ends before it begins. Enter a later time.")
        return data

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        return moves.SetTimeAside(
            crew_id=data["crew"].pk,
            kind=data["what"],
            starts_at=_moment(data["day"], data["begins"]),
            ends_at=_moment(data["day"], data["ends"]),
            job_id=data["job"].pk if data["job"] else None,
            note=data["note"],
        )


class Block(_Days):
    """Days without work of a crew, of a machine, or of everyone."""

    kind = "BLOCK"
    crew = _crew(required=False, empty="everyone, or the machine below")
    equipment = forms.ModelChoiceField(
        Equipment.objects.filter(is_active=True).order_by("name"),
        required=False,
        label="Machine",
        empty_label="none",
    )
    reason = forms.CharField(max_length=80)
    field_order = ("first_day", "last_day", "crew", "equipment", "reason")

    def clean(self) -> dict[str, Any]:
        """Refuse a crew and a machine at once."""
        data = super().clean()
        if data.get("crew") and data.get("equipment"):
            self.add_error("equipment", "Choose a crew or a machine, not both.")
        return data

    def move(self) -> Move:
        """Return the move."""
        data = self.cleaned_data
        return moves.BlockDays(
            first_day=data["first_day"],
            last_day=data["last_day"],
            reason=data["reason"],
            crew_id=data["crew"].pk if data["crew"] else None,
            equipment_id=data["equipment"].pk if data["equipment"] else None,
        )


class GapForm(forms.Form):
    """A small piece of work that looks for a place."""

    hours = forms.FloatField(min_value=0.25, max_value=80, initial=4, label="Hours on site")
    from_day = Day(required=False, label="From")
    crew = _crew(required=False, empty="any crew")


KINDS: Mapping[str, type[MoveForm]] = {
    form.kind: form
    for form in (ToCrewAndDay, Free, Split, SplitFirst, Join, Swap, Lend, Aside, Block)
}


def form_of(kind: str, data: Mapping[str, Any] | None = None, **initial: Any) -> MoveForm:
    """Return the form of a kind of move; raises KeyError for a kind that does not exist."""
    form = KINDS[kind]
    return form(data, initial=initial or None, auto_id=f"{kind.lower()}_%s")


def _moment(day: date, clock: time) -> datetime:
    return datetime.combine(day, clock, tzinfo=timezone.get_default_timezone())
