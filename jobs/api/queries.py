"""What may stand behind the question mark of each address."""

from __future__ import annotations

from functools import reduce
from operator import itemgetter, or_
from typing import TYPE_CHECKING, Any, TypeVar

from django.db.models import F, Model, Q
from rest_framework import serializers

from contractor.problems import Refused
from contractor.trade.errors import Fault
from crews.models import Crew
from jobs.models import Job, Phase, Plan
from jobs.models.job import PHASE_CHOICES

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping

    from django.db.models import QuerySet
    from django.http import QueryDict

Row = TypeVar("Row", bound=Model)
Shown = TypeVar("Shown")
LARGEST_ID = 2**63 - 1
JOB_ORDERS = {
    "number": "number",
    "sold_on": "sold_on",
    "promised": "promised_on",
    "planned_start": "planned_start_at",
    "planned_finish": "planned_finish_at",
    "contract_value_usd": "contract_value_usd",
}
PLAN_ORDERS = {name: name for name in ("id", "made_at", "published_at", "seconds")}
CREW_ORDERS = {name: name for name in ("name", "size")}
BOOKING_ORDERS = {
    "starts_at": "starts_at",
    "ends_at": "ends_at",
    "job": "phase__job__number",
    "crew": "crew__name",
}
PHASE_ORDERS = {
    "job": "job__number",
    "crew": "crew_name",
    "baseline_finish": "first_ends_at",
    "planned_start": "planned_starts_at",
    "planned_finish": "planned_ends_at",
    "actual_start": "started_at",
    "actual_finish": "done_at",
    "labor_hours": "hours",
}
LIVE_STATUSES = [choice for choice in Phase.Status.choices if choice[0] != Phase.Status.DROPPED]


class Query(serializers.Serializer[Any]):
    """Parameters of a GET; unknown ones are refused, since a filter misspelt would show all."""

    @classmethod
    def read(cls, params: QueryDict, *, beside: Collection[str] = ()) -> dict[str, Any]:
        """
        Return the parameters that were given, as values.

        Raises
        ------
        contractor.problems.Refused
            With each wrong parameter, its value and the way out.
        """
        query = cls(data={name: params[name] for name in params if name not in beside})
        faults = [*query._strangers(params, beside), *query._twice(params)]
        if not query.is_valid():
            faults.extend(query._faults())
        if faults:
            raise Refused(faults)
        return dict(query.validated_data)

    def _strangers(self, params: QueryDict, beside: Collection[str]) -> Iterator[Fault]:
        known = sorted({*self.fields, *beside})
        choice = f"use {', '.join(known)}" if known else "this address takes none"
        for name in params:
            if name not in known:
                yield Fault(
                    name, params[name], "there is no such parameter", f"Leave it out; {choice}."
                )

    def _twice(self, params: QueryDict) -> Iterator[Fault]:
        for name, values in params.lists():
            if len(values) > 1:
                yield Fault(
                    name, ", ".join(values), "this is given more than once", "Give it once."
                )

    def _faults(self) -> Iterator[Fault]:
        for name in self.errors:
            yield Fault(name, self.initial_data.get(name), *_told(self.fields[name]))


def order_field(columns: Iterable[str]) -> serializers.ChoiceField:
    """Return the parameter by which a list is put in order; `in_order` does so."""
    return serializers.ChoiceField(
        required=False,
        choices=[f"{sign}{name}" for name in columns for sign in ("", "-")],
        help_text="A minus reverses. Rows without it come last.",
    )


def in_order(
    rows: QuerySet[Row, Shown], query: Mapping[str, Any], columns: Mapping[str, str], *usual: str
) -> QuerySet[Row, Shown]:
    """Return rows in the order that is asked for, then or without one in the usual order."""
    ordering: str = query.get("ordering", "")
    if not ordering:
        return rows.order_by(*usual)
    column = F(columns[ordering.removeprefix("-")])
    descending = ordering.startswith("-")
    # Where nothing stands, databases differ: said here, so that all lists are alike.
    by = column.desc(nulls_last=True) if descending else column.asc(nulls_last=True)
    return rows.order_by(by, *usual)


def sorted_by(rows: list[dict[str, Any]], query: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return rows that no database orders as `in_order` does; equal ones stay as they stand."""
    ordering: str = query.get("ordering", "")
    if not ordering:
        return rows
    name = ordering.removeprefix("-")
    told = [row for row in rows if row[name] is not None]
    told.sort(key=itemgetter(name), reverse=ordering.startswith("-"))
    return [*told, *(row for row in rows if row[name] is None)]


def job_field() -> serializers.CharField:
    """Return the parameter that keeps one job's rows."""
    return serializers.CharField(required=False, max_length=20, help_text="A job's number.")


def phase_field() -> serializers.ChoiceField:
    """Return the parameter that keeps one phase's rows, of all jobs."""
    return serializers.ChoiceField(
        choices=PHASE_CHOICES, required=False, help_text="A phase's code."
    )


def crew_field() -> serializers.CharField:
    """Return the parameter that keeps one crew's rows; `crew_named` finds it."""
    return serializers.CharField(
        required=False, max_length=60, help_text="A crew's name, as /crews/ lists it."
    )


def crew_named(name: str) -> Crew:
    """Return a crew by its name, one that no longer works too, or refuse the name."""
    crew = Crew.objects.filter(name=name).first()
    if crew is None:
        names = Crew.objects.filter(is_active=True).order_by("name").values_list("name", flat=True)
        remedy = (
            f"Enter one of {', '.join(names)}." if names else "Leave it out: no crew is active."
        )
        raise Refused([Fault("crew", name, "there is no such crew", remedy)])
    return crew


def search_field() -> serializers.CharField:
    """Return the parameter that looks for words in jobs; `words_in_job` does so."""
    return serializers.CharField(
        required=False, max_length=80, help_text="In job number, buyer's name and town."
    )


def words_in_job(words: str, of: str = "") -> Q:
    """Return which rows have words in their job's number, buyer or town; `of` leads to the job."""
    columns = ("number", "buyer_name", "site_town")
    return reduce(or_, (Q(**{f"{of}{name}__icontains": words}) for name in columns))


class JobsQuery(Query):
    """Which jobs, and in which order."""

    status = serializers.ChoiceField(choices=Job.Status.choices, required=False)
    foundation = serializers.ChoiceField(choices=Job.Foundation.choices, required=False)
    use = serializers.ChoiceField(choices=Job.Use.choices, required=False)
    late = serializers.BooleanField(
        required=False, help_text="Only jobs planned to finish after their promise, or all others."
    )
    planned_finish_before = serializers.DateField(
        required=False, help_text="Planned to finish on this day or earlier."
    )
    planned_finish_after = serializers.DateField(
        required=False, help_text="Planned to finish on this day or later."
    )
    search = search_field()
    ordering = order_field(JOB_ORDERS)


class PlansQuery(Query):
    """Which plans, and in which order."""

    status = serializers.ChoiceField(choices=Plan.Status.choices, required=False)
    ordering = order_field(PLAN_ORDERS)


class CrewsQuery(Query):
    """Which crews, and in which order."""

    search = serializers.CharField(required=False, max_length=60, help_text="In the crew's name.")
    ordering = order_field(CREW_ORDERS)


class ComparisonQuery(Query):
    """Against which plan."""

    against = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=LARGEST_ID,
        help_text="Number of the other plan; without it, the published plan.",
    )


# `from` cannot be written as an attribute, so these fields are given by name.
class DaysQuery(Query):
    """Rows that take place between two days."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return the parameters: from, to, and those of the class itself."""
        return {
            "from": serializers.DateField(
                required=False, help_text="Still running on this day or later."
            ),
            "to": serializers.DateField(required=False, help_text="Begun on this day or earlier."),
            **super().get_fields(),
        }

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Refuse a stretch that ends before it begins."""
        first, last = attrs.get("from"), attrs.get("to")
        if first and last and last < first:
            raise Refused(
                [Fault("to", last, f"this is before `from`, {first}", f"Enter {first} or later.")]
            )
        return attrs


class BookingsQuery(DaysQuery):
    """Which of the published bookings, and in which order."""

    job = job_field()
    phase = phase_field()
    crew = crew_field()
    search = search_field()
    ordering = order_field(BOOKING_ORDERS)


class PhasesQuery(DaysQuery):
    """Which phases, and in which order."""

    job = job_field()
    phase = phase_field()
    crew = crew_field()
    status = serializers.ChoiceField(choices=LIVE_STATUSES, required=False)
    search = search_field()
    ordering = order_field(PHASE_ORDERS)


def _told(field: serializers.Field[Any, Any, Any, Any]) -> tuple[str, str]:
    """Return what is wrong with a value that a field does not take, and what it takes."""
    if isinstance(field, serializers.ChoiceField):
        choices = ", ".join(str(choice) for choice in field.choices)
        return "this is not one of the choices", f"Enter one of {choices}."
    if isinstance(field, serializers.BooleanField):
        return "this is neither true nor false", "Enter true or false."
    if isinstance(field, serializers.DateField):
        return "this is not a day", "Enter year, month and day, like 2026-06-01."
    if isinstance(field, serializers.IntegerField):
        return "this is not a number of a row", "Enter a whole number above 0."
    most = getattr(field, "max_length", None)
    return "this is not a text to look for", f"Enter 1 to {most} printable characters."
