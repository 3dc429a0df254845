"""What may stand behind the question mark of each address."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rest_framework import serializers

from contractor.problems import Refused
from contractor.trade.errors import Fault
from jobs.models import Job, Plan

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from django.http import QueryDict

LARGEST_ID = 2**63 - 1
JOB_ORDERS = {
    "number": "number",
    "sold_on": "sold_on",
    "promised": "promised_on",
    "planned_start": "planned_start_at",
    "planned_finish": "planned_finish_at",
    "contract_value_usd": "contract_value_usd",
}


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
    search = serializers.CharField(
        required=False, max_length=80, help_text="In number, buyer's name and town."
    )
    ordering = serializers.ChoiceField(
        required=False,
        choices=[f"{sign}{name}" for name in JOB_ORDERS for sign in ("", "-")],
        help_text="A minus reverses. Jobs without the date come last.",
    )


class PlansQuery(Query):
    """Which plans."""

    status = serializers.ChoiceField(choices=Plan.Status.choices, required=False)


class ComparisonQuery(Query):
    """Against which plan."""

    against = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=LARGEST_ID,
        help_text="Number of the other plan; without it, the published plan.",
    )


# `from` cannot be written as an attribute, so the fields are given by name.
class BookingsQuery(Query):
    """Which of the published bookings."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return the parameters: from, to, crew."""
        return {
            "from": serializers.DateField(
                required=False, help_text="Still running on this day or later."
            ),
            "to": serializers.DateField(required=False, help_text="Begun on this day or earlier."),
            "crew": serializers.CharField(
                required=False, max_length=60, help_text="A crew's name, as /crews/ lists it."
            ),
        }

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Refuse a stretch that ends before it begins."""
        first, last = attrs.get("from"), attrs.get("to")
        if first and last and last < first:
            raise Refused(
                [Fault("to", last, f"this is before `from`, {first}", f"Enter {first} or later.")]
            )
        return attrs


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
